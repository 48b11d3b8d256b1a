"""report.html: collected from a run, listed, drawn, written."""
