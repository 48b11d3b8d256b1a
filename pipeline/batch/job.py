"""What a worker is given and what it answers, as JSON holds them."""

from __future__ import annotations

from typing import Any

Job = dict[str, Any]
Answer = dict[str, Any]
