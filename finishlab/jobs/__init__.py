"""Jobs worked by a procedure: does it still hold what it promised?"""
