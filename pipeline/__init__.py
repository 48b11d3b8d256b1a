"""Fieldstop: from endoscope recordings and a narration to safe teaching clips."""

__version__ = "0.1.0"
