"""The kinds of finding, each declared in a module of its own (`kind.Kind`).

A new kind is one module and one line here; report, page, events.csv and settings follow.
"""

# Each line stands for a kind, in the order in which people read them.
# ruff: noqa: F401, I001
from pipeline.model.kinds.fog import KIND as FOG
from pipeline.model.kinds.smudge import KIND as SMUDGE
from pipeline.model.kinds.blur import KIND as BLUR
from pipeline.model.kinds.dark import KIND as DARK
from pipeline.model.kinds.glare import KIND as GLARE
from pipeline.model.kinds.out_of_body import KIND as OUT_OF_BODY
from pipeline.model.kinds.damage import KIND as DAMAGE
from pipeline.model.kinds.identity import LETTERING, FACE, SPEECH, UNDECIDED
from pipeline.model.kinds.kind import Kind

KINDS: tuple[Kind, ...] = tuple(k for k in list(globals().values()) if isinstance(k, Kind))
BY_NAME = {k.kind: k for k in KINDS}
EVENT_KINDS = tuple(k.kind for k in KINDS if k.event)
