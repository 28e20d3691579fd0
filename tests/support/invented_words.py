"""A catalogue in an invented tongue: every sentence is the English one between two marks."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

from earwitness.session.messages import catalogue
from earwitness.session.messages.__main__ import given

LEFT, RIGHT = "«", "»"
ENGLISH = Path(catalogue.__file__).with_name("en.toml")


def marked(table: Any) -> Any:
    """The table with every text marked."""
    if isinstance(table, str):
        return f"{LEFT}{table}{RIGHT}"
    if isinstance(table, dict):
        return {name: marked(value) for name, value in table.items()}
    return [marked(value) for value in table]


def invented() -> dict[str, Any]:
    """The tables of the invented tongue; the letters of the buttons stay letters."""
    english = tomllib.loads(ENGLISH.read_text(encoding="utf-8"))
    tables = marked({k: v for k, v in english.items() if k != "language"})
    for name, (_, letter) in english["page"]["actions"].items():
        tables["page"]["actions"][name][1] = letter
    tables["given"] = marked({sentence: sentence for sentence in given()})
    return {"language": "xx", **tables}


def as_toml(told: dict[str, Any], at: str = "") -> str:
    """The tables as TOML (version 1.0: a JSON string is a basic string)."""
    plain = {k: v for k, v in told.items() if not _is_table(v)}
    lines = [f"{_quoted(k)} = {_quoted(v)}" for k, v in plain.items()]
    for name, value in told.items():
        path = f"{at}.{name}" if at else name
        if isinstance(value, dict):
            lines += [f"[{path}]", as_toml(value, path)]
        elif _is_table(value):
            for row in value:
                lines += [f"[[{path}]]", as_toml(row, path)]
    return "\n".join(lines)


def _is_table(value: Any) -> bool:
    return isinstance(value, dict) or (isinstance(value, list) and isinstance(value[0], dict))


def _quoted(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False)
