"""The step `verify`: measures the finished file. See `verify.verify_release`."""
