"""For the instructor: lessons, step counts, the class exercise, newcomers' panels, slides."""
