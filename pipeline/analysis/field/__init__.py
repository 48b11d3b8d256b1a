"""Where the scope field lies."""
