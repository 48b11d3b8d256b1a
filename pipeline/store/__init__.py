"""Work folders, the cache and the catalogue."""
