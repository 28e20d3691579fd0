"""Was the take fit to be judged: damaged samples, changed gain, a moved probe."""
