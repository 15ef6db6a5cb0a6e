"""The dive file's page and schema say what the reader does; the examples are dives."""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from leadline.dive_file import parse_dive, read_dive
from leadline.dive_file.schema import Cylinder, Dive, Level, Loop, json_schema
from leadline.plan.schedule import lay_out
from leadline.units import SYSTEMS
from tests.dive_file.files import AIR_DIVE, METRIC

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs" / "dive-file.md").read_text(encoding="utf-8")
SNIPPETS = re.findall(r"```toml\n(.*?)```", PAGE, re.DOTALL)
EXAMPLES = sorted((ROOT / "examples").glob("*.toml"))

BASE = tomllib.loads(AIR_DIVE)


def in_a_dive(snippet: str) -> dict[str, Any]:
    """The snippet's tables in place of those of a whole dive; a cylinder next to the twin set."""
    tables = tomllib.loads(snippet)
    cylinders = [] if "units" in tables else BASE["cylinders"]
    return BASE | tables | {"cylinders": [*cylinders, *tables.get("cylinders", BASE["cylinders"][len(cylinders) :])]}


def rows() -> list[tuple[str, str]]:
    """Every key of the schema that is not a table at the top of the file, with the table it stands in."""
    schema = json_schema()
    found = [(key, "Dive") for key, value in schema["properties"].items() if "$ref" not in str(value)]
    for name, table in schema["$defs"].items():
        found += [(key, name) for key in table["properties"]]
    return sorted(found)


HEADS = {
    "OxygenBreaks": "stops.oxygen_breaks",
    "TeamDiver": "team",
    "GasRules": "gas",
    "SolveCylinder": "solve",
    "FillSource": "fills.sources",
    "FillStart": "fills.cylinders",
    "FillAnalysis": "fills.analysed",
    "SweepAxis": "sweep.axes",
}


def section(model: str) -> str:
    """The part of the page that explains a table; the top of the file for a dive itself."""
    if model == "Dive":
        start = PAGE.index("## At the top of the file")
    else:
        name = HEADS.get(model, model.lower())
        found = re.search(rf"^#+ `\[\[?{re.escape(name)}s?\]\]?`", PAGE, re.MULTILINE)
        assert found, f"no section of [{name}]"
        start = found.start()
    return PAGE[start : PAGE.find("\n## ", start)]


@pytest.mark.parametrize(("key", "model"), rows(), ids=str)
def test_the_page_has_every_key(key: str, model: str) -> None:
    if (key, model) == ("oxygen_breaks", "Stops"):  # has a part of its own
        assert "### `[stops.oxygen_breaks]`" in section(model)
    else:
        assert re.search(rf"^\| `{key}` \|", section(model), re.MULTILINE)


def test_the_page_has_every_table() -> None:
    tables = {key for key, value in json_schema()["properties"].items() if "$ref" in str(value)}
    assert tables == set(re.findall(r"^## `\[\[?(\w+)\]\]?`", PAGE, re.MULTILINE))


@pytest.mark.parametrize("snippet", SNIPPETS, ids=[snippet.split("\n")[0] for snippet in SNIPPETS])
def test_every_snippet_of_the_page_is_read(snippet: str) -> None:
    tables = in_a_dive(snippet)
    if "units" in tomllib.loads(snippet) and "levels" not in tomllib.loads(snippet):
        tables = in_a_dive("") | tomllib.loads(snippet) | {"cylinders": [BASE["cylinders"][0] | {"size": "24 L"}]}
    if tomllib.loads(snippet).get("loop"):
        tables = {name: part for name, part in tables.items() if name != "cylinders"}
    if "previous" in tables:  # read with the files it names: tests/plan/test_repetitive.py
        Dive.model_validate(tables, context={"units": tables["units"]})
        return
    parse_dive(tables)
    jsonschema.validate(tables, json_schema())


@pytest.mark.parametrize("path", EXAMPLES, ids=[path.name for path in EXAMPLES])
def test_every_example_is_a_dive(path: Path) -> None:
    dive = read_dive(path)
    lay_out(dive, path.name)
    jsonschema.validate(tomllib.loads(path.read_text(encoding="utf-8")), json_schema())


def test_there_are_examples_of_both_systems_and_circuits() -> None:
    dives = [read_dive(path) for path in EXAMPLES]
    assert {dive.units for dive in dives} == set(SYSTEMS)
    assert {dive.loop is None for dive in dives} == {True, False}


def test_the_schema_in_docs_is_this_one() -> None:
    committed = json.loads((ROOT / "docs" / "dive-file.schema.json").read_text(encoding="utf-8"))
    assert committed == json_schema(), "run: python -m leadline.dive_file.schema > docs/dive-file.schema.json"


def test_the_schema_is_one_and_explains_every_key() -> None:
    schema = json_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    assert schema["title"] == "Leadline dive file"
    for table in [schema, *schema["$defs"].values()]:
        assert table["additionalProperties"] is False
        assert all(key["description"] for key in table["properties"].values())
    site = schema["$defs"]["Site"]["properties"]
    assert site["water"]["default"] == "en13319"
    assert "default 14 °C, in imperial files 57 °F" in site["temperature"]["description"]
    assert set(schema["required"]) == {"units", "levels"}
    for name, model in {"Level": Level, "Loop": Loop, "Cylinder": Cylinder}.items():
        required = {key for key, field in model.model_fields.items() if field.is_required()}
        assert set(schema["$defs"][name]["required"]) == required


@pytest.mark.parametrize(
    "wrong", [METRIC, AIR_DIVE + "zzz = 1\n", AIR_DIVE.replace("bottom", "botom"), AIR_DIVE.replace("45", "true")]
)
def test_the_schema_refuses_what_the_reader_refuses(wrong: str) -> None:
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(tomllib.loads(wrong), json_schema())


def test_the_schema_has_the_keys_of_the_models() -> None:
    assert list(json_schema()["properties"]) == list(Dive.model_fields)
