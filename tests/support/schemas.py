"""Every document that heatrun writes or prints, held to its JSON Schema."""

from __future__ import annotations

import json
from collections.abc import Mapping
from functools import cache
from importlib.resources import files

from jsonschema import Draft202012Validator

PREFIX, VERSION = "heatrun.", "/1"


@cache
def validator(name: str) -> Draft202012Validator:
    """The schema of a document.

    Args:
        name: its `schema`, such as "heatrun.fit/1".

    Returns:
        What holds documents to it.
    """
    file = files("fit.schemas") / f"{name.removeprefix(PREFIX).removesuffix(VERSION)}.json"
    schema = json.loads(file.read_text(encoding="utf-8"))
    Draft202012Validator.check_schema(schema)
    return Draft202012Validator(schema)


def hold_to_schema(document: object) -> None:
    """Raise jsonschema's ValidationError where a document of ours does not keep its schema."""
    if isinstance(document, Mapping) and str(document.get("schema", "")).startswith(PREFIX):
        validator(document["schema"]).validate(document)
