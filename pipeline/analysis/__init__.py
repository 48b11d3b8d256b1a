"""Pure measures and decisions: numpy in, numpy out; no path, process or codec."""
