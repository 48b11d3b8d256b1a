"""The report and the local review page."""
