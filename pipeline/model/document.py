"""Base of every JSON document: a schema name with a version, no unknown fields."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict


class Part(BaseModel):
    """A piece of a document. Unknown fields are refused."""

    model_config = ConfigDict(extra="forbid", ser_json_inf_nan="null")


class Document(Part):
    """A document with `schema` as its first key, for example "fieldstop.survey/1"."""

    model_config = ConfigDict(extra="forbid", populate_by_name=True, ser_json_inf_nan="null")

    def to_json(self) -> str:
        return self.model_dump_json(by_alias=True, indent=1)
