"""One recording as the checks judge it: its facts and figures."""
