"""Numbers and results as people read them: digits, sentences, small tables, layouts of pages.

The only place that rounds. Nothing is computed here.
"""
