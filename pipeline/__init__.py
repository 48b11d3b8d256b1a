"""Fieldstop: from endoscope recordings and a narration to safe teaching clips."""

import os

__version__ = "0.1.0"

# The official Linux wheels of onnxruntime 1.29 and later send what they run, and on what, to its
# maker, and keep an identifier of the machine. Nothing may leave this machine by itself: switched
# off before the library can be loaded, here and, by inheritance, in every helper process.
os.environ["ORT_DISABLE_TELEMETRY"] = "1"
