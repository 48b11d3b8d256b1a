"""Files, streams and programs: the only layer that touches codecs."""
