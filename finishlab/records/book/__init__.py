"""The record book: the database behind the bench log, its entries, and what is read out of it.

An entry goes one way: `record_book` -> `entries`, `endings` or `book_import` -> `logged_trial` and
`bench_checks` -> `rows` -> `database` in a `store`.
"""
