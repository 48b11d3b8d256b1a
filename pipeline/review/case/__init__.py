"""One case behind the review page: its documents, its recordings once open, what is shown."""
