"""Writes result.schema.json, the JSON Schema of result.json, from the models that write it.

python docs/make_result_schema.py
"""

from __future__ import annotations

import json
from pathlib import Path

from evenhall.job.tune.result import schema

FILE = Path(__file__).with_name("result.schema.json")


def page() -> str:
    """Text of the file."""
    return json.dumps(schema(), indent=1, ensure_ascii=False) + "\n"


if __name__ == "__main__":
    FILE.write_text(page(), encoding="utf-8")
