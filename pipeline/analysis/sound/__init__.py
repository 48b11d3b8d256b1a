"""Loudness, voices, ducking, the mix."""
