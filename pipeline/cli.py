"""The command line. Heavy libraries load inside the commands, so that -h answers at once."""

from __future__ import annotations

import os
from typing import Any

import click

from pipeline import __version__
from pipeline.commands import (
    batch,
    beside,
    drafting,
    keeping,
    leaving,
    looking,
    making,
    retention,
    tracing,
)
from pipeline.commands.base import global_options
from pipeline.commands.group import Group

# Small matrices only: threads of the linear algebra cost more than they give, and they
# would fight with those of the decoder and the encoder.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


@click.group(cls=Group, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="fieldstop")
@global_options
def main(**_: Any) -> None:
    """From endoscope recordings and a narration to safe teaching clips.

    Not a medical device; not for diagnosis. A person reviews before release.
    """


for command in (
    making.make, making.clip, making.survey, making.demo, batch.batch, drafting.captions,
    looking.probe, looking.verify, looking.review, leaving.release, leaving.withdraw,
    beside.still, beside.publish, beside.timeline,
    keeping.catalogue, keeping.cache, retention.retention, tracing.trace,
):  # fmt: skip
    main.add_command(command)


if __name__ == "__main__":
    main()
