"""The kinds of finding, each declared in a module of its own (`kind.Kind`).

A new kind is one module and one line here; report, page, events.csv and settings follow.
"""

from pipeline.model.kinds import blur, damage, dark, fog, glare, identity, out_of_body, smudge
from pipeline.model.kinds.kind import Kind

# In the order in which people read them.
KINDS: tuple[Kind, ...] = (
    fog.KIND,
    smudge.KIND,
    blur.KIND,
    dark.KIND,
    glare.KIND,
    out_of_body.KIND,
    damage.KIND,
    identity.LETTERING,
    identity.FACE,
    identity.SPEECH,
    identity.UNDECIDED,
)
BY_NAME = {k.kind: k for k in KINDS}
EVENT_KINDS = tuple(k.kind for k in KINDS if k.event)
