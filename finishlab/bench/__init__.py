"""What is used at the bench: the form in JupyterLab and on a tablet, run sheets, labels."""
