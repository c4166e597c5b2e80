"""Trial sheets: CSV and XLSX files, the rules a sheet must meet, and the checked table.

A sheet goes one way: `csv_file` or `xlsx_file` -> `sheet` -> `draft`, with the rules of `headings`,
`setting_rules`, `value_rules`, `film_rules` and `trial_rules` -> `sheet_check` -> the table.
"""
