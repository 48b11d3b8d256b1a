"""Is a suspect clip one of the releases: prints of pictures, lines in time, false alarms. Pure."""
