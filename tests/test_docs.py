"""The docs, held to the program: what it knows has its entry, and what they say is so."""

import doctest
import importlib
import re
import runpy
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Literal, get_args, get_origin

import numpy as np
import pytest
from pydantic import BaseModel
from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined
from typer.main import get_command

from evenhall import cli, errors
from evenhall.acoustics.bands import LOWER_HZ, NOMINAL_HZ, UPPER_HZ
from evenhall.job.folder.faults import read_section
from evenhall.job.folder.model import Take
from evenhall.job.folder.reading import SECTIONS, parse_job
from evenhall.job.tune.result import MOVE_KINDS, PROBLEM_CODES, REMEDIES, Result
from evenhall.verdict.line.words import CODES as LINE_CODES
from evenhall.verdict.plan import plan_stimulus
from evenhall.verdict.scatter import scatter_db
from evenhall.verdict.target import SHAPES

ROOT = Path(__file__).parents[1]
DOCS = ROOT / "docs"
PAGES = sorted(DOCS.glob("*.md"))
EVERY_TABLE = {**SECTIONS, "take": Take}

# Defaults that no model holds: they come from other fields, the folder or the takes.
WORKED_OUT = {
    "venue.name": "the folder's name",
    "venue.rt60_s": "estimated from the takes",
    "rig.sides": "the sides that the takes name",
    "rig.low_limit_hz": "read off the response",
    "equalizer.max_boost_db": "6.0, or `range_db` if that is less",
    "equalizer.q": "by the number of bands, or from their spacing",
    "take.distance_m": "from the measured delay, where that can be trusted",
    "take.walked_m": "by the pace that the recording tells",
    "take.passed": "none",
}
UNITS = {"m": "m", "s": "s", "c": "°C", "pct": "%", "deg": "degrees", "hz": "Hz", "db": "dB"}


def text_of(name: str) -> str:
    return (DOCS / name).read_text(encoding="utf-8")


def section_of(page: str, heading: str) -> str:
    """Text below a heading, up to the next of the same or a higher level."""
    lines = text_of(page).splitlines()
    (start,) = (
        at
        for at, line in enumerate(lines)
        if line.startswith("#") and line.lstrip("#").strip() == heading
    )
    level = len(lines[start]) - len(lines[start].lstrip("#"))
    body = []
    for line in lines[start + 1 :]:
        if re.match(rf"#{{1,{level}}} ", line):
            break
        body.append(line)
    return "\n".join(body)


def rows_of(text: str) -> list[list[str]]:
    """Cells of the rows of all tables in a text, without heads and rules."""
    lines = [line for line in text.splitlines() if line.startswith("|")]
    heads = {at - 1 for at, line in enumerate(lines) if re.fullmatch(r"[|\-: ]+", line)}
    return [
        [cell.strip() for cell in line.strip("|").split("|")]
        for at, line in enumerate(lines)
        if at not in heads and at - 1 not in heads
    ]


def first_names(text: str) -> list[str]:
    return [row[0].strip("`") for row in rows_of(text)]


# job.toml


@pytest.mark.parametrize("section", EVERY_TABLE)
def test_every_field_of_job_toml_has_its_row_with_default_and_what_is_allowed(section):
    heading = "`[[take]]`" if section == "take" else f"`[{section}]`"
    rows = {row[0].strip("`"): row[1:] for row in rows_of(section_of("job-folder.md", heading))}
    fields = EVERY_TABLE[section].model_fields
    assert list(rows) == list(fields)
    for name, field in fields.items():
        kind, default, allowed, meaning = rows[name]
        assert allowed == field.description
        assert default == WORKED_OUT.get(f"{section}.{name}", default_text(field)), name
        assert meaning.endswith((".", "`.")), name
        assert kind.startswith(kind_text(field.annotation)), name
        unit = UNITS.get(name.rsplit("_", 1)[-1])
        assert unit is None or kind.endswith(f", {unit}"), name


def default_text(field: FieldInfo) -> str:
    if field.default is PydanticUndefined:
        return "must be given"
    if field.default is None:
        return "not known" if kind_text(field.annotation) == "number" else "none"
    if isinstance(field.default, bool):
        return str(field.default).lower()
    return f'"{field.default}"' if isinstance(field.default, str) else f"{field.default}"


def kind_text(annotation: Any) -> str:
    if get_origin(annotation) is Literal:
        words = all(isinstance(one, str) for one in get_args(annotation))
        return "text" if words else "whole number"
    if get_origin(annotation) is tuple:
        return "list"
    if get_origin(annotation) is dict:
        return "table"
    kinds = {float: "number", int: "whole number", str: "text", bool: "true or false"}
    first = get_args(annotation)[0] if get_args(annotation) else annotation
    return kinds.get(first, "list")


# result.json


def models_of(model: type[BaseModel], path: str = "") -> Iterator[tuple[str, type[BaseModel]]]:
    """Every model inside a result with its place in the file: `takes[].bands[]`."""
    yield path or "result.json", model
    for name, field in model.model_fields.items():
        key = field.serialization_alias or name
        yield from _models_in(field.annotation, f"{path}.{key}" if path else key)


def _models_in(annotation: Any, path: str) -> Iterator[tuple[str, type[BaseModel]]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield from models_of(annotation, path)
    ending = {tuple: "[]", dict: ".*"}.get(get_origin(annotation), "")
    for inner in get_args(annotation):
        yield from _models_in(inner, path + ending)


RESULT_MODELS = {model: path for path, model in reversed(list(models_of(Result)))}


@pytest.mark.parametrize(("model", "path"), RESULT_MODELS.items(), ids=RESULT_MODELS.values())
def test_every_field_of_the_result_has_its_row(model, path):
    rows = first_names(section_of("job-folder.md", f"`{path}`"))
    assert rows == [field.serialization_alias or name for name, field in model.model_fields.items()]


# Lists of names


@pytest.mark.parametrize(
    ("heading", "names"),
    [
        ("Problems of a take", PROBLEM_CODES),
        ("Kinds of moves", MOVE_KINDS),
        ("Remedies", REMEDIES),
    ],
)
def test_every_code_kind_and_remedy_has_its_row_and_no_other(heading, names):
    assert sorted(first_names(section_of("job-folder.md", heading))) == sorted(names)


def test_every_finding_of_the_line_check_is_explained():
    rows = first_names(section_of("line-check.md", "What each sentence means"))
    assert sorted(rows) == sorted(LINE_CODES)


def test_every_exit_code_has_its_row():
    codes = {0, *errors.EXIT_CODES.values(), errors.EXIT_NOTHING_USABLE, cli.EXIT_FAULT}
    rows = first_names(section_of("job-folder.md", "Exit codes"))
    assert rows == [str(code) for code in sorted(codes)]


# Commands


def test_command_line_page_is_what_the_commands_say():
    page = runpy.run_path(str(DOCS / "make_command_line.py"))["page"]()
    assert text_of("command-line.md") == page, "run python docs/make_command_line.py"


def test_every_command_and_option_is_on_the_command_line_page():
    for name, command in get_command(cli.app).commands.items():
        section = section_of("command-line.md", f"evenhall {name}")
        for parameter in command.params:
            named = parameter.opts if parameter.param_type_name == "option" else []
            assert all(option in section for option in named), (name, named)


# Figures


def test_targets_are_those_of_the_program():
    rows = {row[0].strip("`"): row[1:] for row in rows_of(text_of("targets.md"))}
    assert list(rows) == list(SHAPES)
    for name, shape in SHAPES.items():
        points, why = rows[name]
        pairs = [tuple(map(float, point.split())) for point in points.split(",")]
        assert tuple(pairs) == shape.points
        assert why == shape.why


@pytest.mark.parametrize(
    ("page", "heading"),
    [
        ("trust.md", "Limits that decide"),
        ("line-check.md", "Limits of the line check"),
        ("walk.md", "Limits of the walk"),
    ],
)
def test_limits_are_those_of_the_program(page, heading):
    rows = rows_of(section_of(page, heading))
    assert len(rows) > 10
    for what, value, place in rows:
        module, name = re.fullmatch(r"`([\w/]+)\.py: (\w+)`", place).groups()
        constant = getattr(importlib.import_module(module_name(module)), name)
        assert float(value.split()[0]) == constant, what


def test_scatter_table_is_what_the_verdict_counts_with():
    rows = rows_of(section_of("trust.md", "What one place can know"))
    band_of = {f"{hz:g}": at for at, hz in enumerate(NOMINAL_HZ)}
    assert len(rows) > 3
    for hz, *scatter in rows:
        expected = [float(scatter_db(rt60_s)[band_of[hz]]) for rt60_s in (0.5, 0.9, 2.0)]
        assert [float(figure) for figure in scatter] == pytest.approx(expected, abs=0.0501)


def planned_s(noise_dbfs, rt60_s=1.0):
    return plan_stimulus(
        noise_dbfs,
        level_dbfs=0.0,
        highest_level_dbfs=0.0,
        low_hz=20.0,
        high_hz=20_000.0,
        heard_dbfs=np.full(31, -10.0 * np.log10(31.0)),
        rt60_s=rt60_s,
    ).length_s


def test_lengths_are_those_that_are_planned():
    alike_dbfs = np.full(31, -10.0 * np.log10(31.0))
    width_hz = UPPER_HZ - LOWER_HZ
    hiss_dbfs = 10.0 * np.log10(width_hz / width_hz.sum())
    rows = rows_of(section_of("levels.md", "How the length is found"))
    assert len(rows) > 5
    for below, *lengths in rows:
        below_db = float(below.removesuffix(" dB"))
        assert [float(length) for length in lengths] == [
            planned_s(noise_dbfs - below_db, rt60_s)
            for noise_dbfs in (alike_dbfs, hiss_dbfs)
            for rt60_s in (0.5, 1.0, 2.0)
        ]
    short = dict(rows_of(section_of("live.md", "Gain, background, length")))
    for below in ("0", "-3", "-6"):
        assert float(short[below]) == planned_s(alike_dbfs - float(below))
    assert planned_s(alike_dbfs - 3.0) == 6.0
    assert planned_s(alike_dbfs + 8.0) == 60.0


# What the pages point at


def module_name(path: str) -> str:
    return "evenhall." + path.replace("/", ".")


def code_references() -> list[tuple[str, str, str | None]]:
    spans = [
        (page.name, re.sub(r"\s+", " ", span))
        for page in PAGES
        for span in re.findall(r"`([^`]+)`", page.read_text(encoding="utf-8"))
    ]
    pattern = re.compile(r"([\w/]+)\.py(?:: (\w+)(?:\(\))?)?")
    found = [(page, pattern.fullmatch(span)) for page, span in spans]
    return sorted({(page, match[1], match[2]) for page, match in found if match})


def test_every_file_and_function_that_the_pages_name_exists():
    references = code_references()
    assert len(references) > 40
    for page, path, name in references:
        if path.startswith(("bench/", "docs/")):
            assert (ROOT / f"{path}.py").is_file(), (page, path)
            continue
        assert (ROOT / "src/evenhall" / f"{path}.py").is_file(), (page, path)
        if name is not None:
            assert hasattr(importlib.import_module(module_name(path)), name), (page, path, name)


def anchors_of(page: Path) -> set[str]:
    """Anchors that a forge makes of the headings: lower case, no marks, hyphens for spaces."""
    text = re.sub(r"```.*?```", "", page.read_text(encoding="utf-8"), flags=re.DOTALL)
    headings = re.findall(r"^#+ (.+)$", text, flags=re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings}


@pytest.mark.parametrize("page", [*sorted(ROOT.glob("*.md")), *PAGES], ids=lambda page: page.name)
def test_links_inside_the_repository_resolve(page):
    text = re.sub(r"```.*?```", "", page.read_text(encoding="utf-8"), flags=re.DOTALL)
    for link in re.findall(r"\]\(([^)\s]+)\)", text):
        if re.match(r"[a-z]+:", link):
            continue
        path, _, anchor = link.partition("#")
        target = (page.parent / path).resolve() if path else page
        assert target.exists(), link
        assert not anchor or anchor in anchors_of(target), link


def test_every_page_is_reached_from_the_first():
    linked = set(re.findall(r"\]\(([\w-]+\.md)", text_of("README.md")))
    assert linked == {page.name for page in PAGES} - {"README.md"}


# Snippets


def snippets(language: str) -> list[Any]:
    return [
        pytest.param(snippet, id=f"{page.stem}-{number}")
        for page in PAGES
        for number, snippet in enumerate(
            re.findall(
                rf"```{language}\n(.*?)```", page.read_text(encoding="utf-8"), flags=re.DOTALL
            ),
            1,
        )
    ]


@pytest.mark.parametrize("snippet", snippets("toml"))
def test_job_toml_snippets_are_good(snippet, tmp_path):
    tables = tomllib.loads(snippet)
    if "take" not in tables:
        for name, table in tables.items():
            assert not read_section(name, EVERY_TABLE[name], table).faults
        return
    named = [take["file"] for take in tables["take"]]
    named += [take["reference_file"] for take in tables["take"] if "reference_file" in take]
    named += [tables["reference"]["file"]] if "reference" in tables else []
    for name in named:
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).touch()
    if "calibration" in tables.get("microphone", {}):
        (tmp_path / tables["microphone"]["calibration"]).write_text("20 -1.0\n1000 0.0\n")
    job = parse_job(snippet.encode(), folder=tmp_path)
    assert len(job.takes) == len(tables["take"])


def test_sums_on_the_job_folder_page_come_out():
    failed, tried = doctest.testfile(str(DOCS / "job-folder.md"), module_relative=False)
    assert tried >= 5
    assert failed == 0
