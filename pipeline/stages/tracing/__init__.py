"""Is a suspect clip one of the releases: its steps, from prints to evidence."""
