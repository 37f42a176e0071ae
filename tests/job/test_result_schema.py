"""The JSON Schema of result.json is published, true, and never takes back what it promised.

`result-0.2.0.json` and its schema are as that version wrote them: neither is ever changed. Files
are held against the schema by jsonschema-rs, which shares no code with the models.
"""

from __future__ import annotations

import json
import runpy
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import jsonschema_rs
import pytest

from evenhall.job.tune.result import Result, schema, to_json

HERE = Path(__file__).parent
DOCS = HERE.parents[1] / "docs"
FIRST_FILE = (HERE / "result-0.2.0.json").read_bytes()
FIRST = json.loads((HERE / "result-0.2.0.schema.json").read_text(encoding="utf-8"))


def test_published_schema_is_that_of_the_models():
    made = runpy.run_path(str(DOCS / "make_result_schema.py"))
    assert made["FILE"].read_text(encoding="utf-8") == made["page"](), (
        "run python docs/make_result_schema.py"
    )


@pytest.mark.parametrize("said", [FIRST, schema()], ids=["0.2.0", "now"])
def test_file_of_the_first_release_keeps_to_the_schema(said):
    jsonschema_rs.validator_for(said).validate(json.loads(FIRST_FILE))


def test_what_is_written_now_keeps_to_the_schema_of_the_first_release():
    again = to_json(Result.model_validate_json(FIRST_FILE))
    jsonschema_rs.validator_for(FIRST).validate(json.loads(again))


def test_file_of_the_first_release_is_read_whole():
    again = json.loads(to_json(Result.model_validate_json(FIRST_FILE)))
    assert list(_lost(json.loads(FIRST_FILE), again, "result")) == []


def _lost(was: Any, now: Any, path: str) -> Iterator[str]:
    if isinstance(was, dict):
        for name, value in was.items():
            if name not in now:
                yield f"{path}.{name}"
            else:
                yield from _lost(value, now[name], f"{path}.{name}")
    elif isinstance(was, list):
        if len(was) != len(now):
            yield path
        for k, value in enumerate(was[: len(now)]):
            yield from _lost(value, now[k], f"{path}[{k}]")
    elif was != now:
        yield path


def taken_back(was: dict[str, Any], now: dict[str, Any]) -> Iterator[str]:
    """What a schema promised and another does not: fields, their types, that they are there."""
    for name, before in {"result.json": was, **was["$defs"]}.items():
        after = now if name == "result.json" else now["$defs"].get(name)
        if after is None:
            yield name
            continue
        for field, kind in before["properties"].items():
            others = after["properties"].get(field)
            if others is None or _types(others) - _types(kind) - _types(kind, widened=True):
                yield f"{name}.{field}"
        yield from (
            f"{name}.{field} may be missing"
            for field in before.get("required", ())
            if field not in after.get("required", ())
        )


def _types(kind: dict[str, Any], *, widened: bool = False) -> set[str]:
    """What a field may hold, as one word each; `widened` by what a reader takes as well."""
    if "anyOf" in kind:
        return set().union(*(_types(one, widened=widened) for one in kind["anyOf"]))
    if "$ref" in kind:
        return {kind["$ref"]}
    if widened and kind.get("type") == "number":
        return {"integer"}
    return {f"{kind.get('type')}" + ("[]" if "items" in kind else "")}


def test_nothing_that_the_first_release_promised_is_taken_back():
    assert list(taken_back(FIRST, schema())) == []


def test_what_is_taken_back_is_seen():
    now = json.loads(json.dumps(FIRST))
    del now["$defs"]["Fader"]["properties"]["order"]
    now["$defs"]["Move"]["properties"]["text"] = {"anyOf": [{"type": "string"}, {"type": "null"}]}
    now["$defs"]["Row"]["required"].remove("row_m")
    del now["$defs"]["Speech"]
    assert list(taken_back(FIRST, now)) == [
        "Fader.order",
        "Move.text",
        "Row.row_m may be missing",
        "Speech",
    ]
