"""A folder of cases in one command: found, estimated, made by workers, reported."""
