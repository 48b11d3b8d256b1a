"""A stretch of the picture was not read as it was written."""

from pipeline.model.kinds.kind import Evidence, Kind, Spell, spell


def spells(seen: Evidence) -> list[Spell]:
    return [spell(start_s, stop_s, 1.0) for start_s, stop_s in seen.damaged]


KIND = Kind(
    kind="damage",
    name="Damage",
    sign="X",
    color="#777777",
    pattern="grid",
    action="black",
    choices=("black", "cut"),
    setting="what happens to damaged pictures; shown only where a person said why",
    actions=("black", "cut"),
    reasons=("the picture is whole", "damaged, but shown on purpose"),
    spells=spells,
)
