"""The shop's written standard procedure for a recipe.

`procedure_facts.py` turns a recipe into a plain dict, `words.toml` holds every word a page shows, `shop.py` the shop's own file beside them.
`page.html.j2` lays facts and words out for the screen and `paper.py` for PDF, `customer.py` and `newcomer_sheet.py` are the sheets for one job and one newcomer;
`procedure_files.py` makes and keeps the files of a draft, `issue.py` puts it in force or withdraws it by name, `revise.py` ties revisions to each other,
`states.py` says how each stands, `register.py` lists and checks them all, and `kept_procedure.py` brings the recipe back.
Nothing is computed about the finish here: a procedure says what the recipe says.
"""

from finishlab.procedure.customer import print_customer_page
from finishlab.procedure.issue import issue_procedure, withdraw_procedure
from finishlab.procedure.kept_procedure import read_procedure
from finishlab.procedure.paper import print_procedure
from finishlab.procedure.procedure_files import Procedure, write_procedure
from finishlab.procedure.register import Register, procedure_register
from finishlab.procedure.revise import revise_procedure

__all__ = [
    "Procedure",
    "Register",
    "issue_procedure",
    "print_customer_page",
    "print_procedure",
    "procedure_register",
    "read_procedure",
    "revise_procedure",
    "withdraw_procedure",
    "write_procedure",
]
