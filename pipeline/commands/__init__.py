"""The commands of the command line, in groups; they load their libraries when they run."""
