"""How figures are said, and how every sentence is: by the page `docs/words.md`."""

import ast
import re
from functools import cache
from pathlib import Path

import pytest

import evenhall
import joinrooms
from evenhall import cautions
from evenhall.acoustics.bands import NOMINAL_HZ
from evenhall.job.demo.folder import write_demo, write_demo_after
from evenhall.job.folder.reading import load_job
from evenhall.job.tune.planning import plan_hall
from evenhall.job.tune.tuning import tune
from evenhall.report.verdicts import headline, verdicts
from evenhall.report.worklist import whole_text
from evenhall.verdict.joining.subs import join
from evenhall.verdict.joining.words import joining_moves
from evenhall.words import count_text, fader_name, hz_listed, hz_text, listed

# One worker tunes the demo for all of them.
pytestmark = pytest.mark.xdist_group("words")

ROOT = Path(__file__).parents[1]
SOURCE = Path(evenhall.__file__).parent
MOST_WORDS = 40
# Names that a capital after a colon may begin: standards, units, what a person called their own.
NAMES = ("Evenhall", "JACK", "NIOSH", "PortAudio", "Q ", "STI", "WHO", "Windows", "UTF-8")


@pytest.mark.parametrize(
    ("hz", "said"),
    [
        (20.0, "20 Hz"),
        (31.5, "31.5 Hz"),
        (800.0, "800 Hz"),
        (1000.0, "1 kHz"),
        (1250.0, "1.25 kHz"),
        (12500.0, "12.5 kHz"),
        (20000.0, "20 kHz"),
    ],
)
def test_frequencies_are_said_as_the_faceplate_has_them(hz, said):
    assert hz_text(hz) == said


def test_every_nominal_frequency_is_lettered_differently_and_short():
    labels = [fader_name(hz) for hz in NOMINAL_HZ]
    assert len(set(labels)) == len(labels)
    assert max(map(len, labels)) <= 5
    assert labels[2] == "31.5"
    assert labels[18] == "1.25k"


def test_every_band_has_a_name_of_its_own():
    assert len({hz_text(hz) for hz in NOMINAL_HZ}) == NOMINAL_HZ.size


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], ""),
        (["front"], "front"),
        (["front", "back"], "front and back"),
        (["front", "middle", "back"], "front, middle and back"),
    ],
)
def test_lists_are_said_as_a_sentence_does(words, said):
    assert listed(words) == said


@pytest.mark.parametrize(
    ("count", "said"), [(0, "no"), (1, "one"), (10, "ten"), (11, "11"), (31, "31")]
)
def test_small_counts_are_words(count, said):
    assert count_text(count) == said


def test_units_are_said_once_for_neighbours_that_share_them():
    assert hz_listed([250.0, 315.0, 400.0]) == "250, 315 and 400 Hz"
    assert hz_listed([500.0, 800.0, 1250.0, 2000.0]) == "500, 800 Hz, 1.25 and 2 kHz"
    assert hz_listed([25.0, 315.0], "to") == "25 to 315 Hz"
    assert hz_listed([1000.0]) == "1 kHz"


def written(node):
    """Give a constant or an f-string as it may be read; None for anything else."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return node.value
    if isinstance(node, ast.JoinedStr):
        return "".join(
            str(part.value)
            if isinstance(part, ast.Constant)
            else "63 Hz"
            if "hz_text" in ast.unparse(part)
            else "7"
            for part in node.values
        )
    return None


def sentences_of(source):
    """List what a module may say: strings with a space in them, and the help of commands."""
    nodes = list(ast.walk(ast.parse(source)))
    aside = {id(node.value) for node in nodes if isinstance(node, ast.Expr)}  # docstrings
    aside |= {id(part) for node in nodes if isinstance(node, ast.JoinedStr) for part in node.values}
    helps = [
        ast.get_docstring(node)
        for node in nodes
        if isinstance(node, ast.FunctionDef)
        and any("command" in ast.unparse(one) for one in node.decorator_list)
    ]
    told = [written(node) for node in nodes if id(node) not in aside]
    return [text for text in (*told, *helps) if text and " " in text.strip()]


@cache
def in_source():
    """List (module, sentence) of all rooms that speak by themselves."""
    found = [
        (str(path.relative_to(SOURCE)), text)
        for path in sorted(SOURCE.rglob("*.py"))
        for text in sentences_of(path.read_text(encoding="utf-8"))
    ]
    assert len(found) > 1200
    return found


INLINE = "a|abbr|b|code|em|small|span|strong"
SPOKEN_ATTRIBUTES = "aria-label|placeholder|title"


def on_page(template):
    """List what a template of a page may say; what is filled in reads as a figure."""
    bare = re.sub(r"\{#.*?#\}", "", template, flags=re.DOTALL)
    filled = re.findall(r"\{[{%].*?[%}]\}", bare, re.DOTALL)
    bare = re.sub(
        r"\{%.*?%\}", "\n", re.sub(r"\{\{.*?\}\}", "7", bare, flags=re.DOTALL), flags=re.DOTALL
    )
    told = re.findall(rf'(?:{SPOKEN_ATTRIBUTES})="([^"]*)"', bare)
    told += [text for part in filled for text in re.findall(r'"([^"]*)"', part)]
    bare = re.sub(rf"</?(?:{INLINE})(?:\s[^>]*)?>", "", bare)
    told += re.sub(r"<[^>]*>", "\n", bare).split("\n")
    return [text.strip() for text in told if " " in text.strip()]


def in_script(source):
    """List what the browser code may say by itself."""
    told = re.findall(r'"([^"\n]*)"|`([^`]*)`', source)
    return [re.sub(r"\$\{.*?\}", "7", "".join(one)) for one in told if " " in "".join(one).strip()]


@cache
def on_pages_and_paper():
    """List (file, sentence) of templates and browser code."""
    templates = [(path, on_page) for path in (SOURCE / "pages/templates").glob("*.html")]
    scripts = [(path, in_script) for path in (ROOT / "web").glob("*.js")]
    paper = [(path, in_script) for path in (SOURCE / "sheet").glob("*.typ")]
    found = [
        (path.name, text)
        for path, read in (*templates, *scripts, *paper)
        for text in read(path.read_text(encoding="utf-8"))
    ]
    assert len(found) > 250
    return found


@pytest.fixture(scope="module")
def results(tmp_path_factory):
    """Give the demo's result before the work, and with the proof."""
    folder = tmp_path_factory.mktemp("words") / "hall"
    write_demo(folder)
    before = tune(load_job(folder), folder)
    card = {side: {one.hz: one.fader_db for one in some} for side, some in before.card.items()}
    write_demo_after(folder, card)
    return (before, tune(load_job(folder), folder)), plan_hall(load_job(folder), folder)


@pytest.fixture(scope="module")
def worklists(results):
    """List entries of worklists: the demo's, and those of subs in random halls."""
    moves = [whole_text(move) for result in results[0] for move in result.moves]
    for seed in range(6):
        case = joinrooms.random_case(seed)
        mains, subs = case.takes("left"), case.takes("sub")
        moves += [one.text for one in joining_moves(join(mains, subs, has_processor=seed % 2 == 0))]
    assert len(moves) > 12
    return moves


@pytest.fixture(scope="module")
def told(results, worklists):
    """List everything that these results say."""
    found, plan = results
    lines = [*worklists, *plan.stance, *plan.speech, *plan.lacking, *plan.checks]
    for result in found:
        lines += [headline(result), *(point.body for point in verdicts(result))]
        lines += [pattern.why for pattern in result.patterns]
        lines += [problem.text for take in result.takes for problem in take.problems]
        lines += [one.text for one in result.headroom]
    return lines


def banned():
    """List what the page says not to write."""
    page = (ROOT / "docs/words.md").read_text(encoding="utf-8")
    table = page.split("| write | not |")[1]
    words = [
        word.strip()
        for row in re.findall(r"^\| [^|]+ \| ([^|]+) \|$", table, re.MULTILINE)
        for word in row.split(";")
    ]
    return [word for word in words if set(word) != {"-"}]


BANNED = [re.compile(rf"\b{re.escape(word)}\b", re.IGNORECASE) for word in banned()]


def without_names(text):
    """Leave out what is quoted, what is a field of job.toml, and code."""
    return re.sub(r"`[^`]*`|\"[^\"]*\"|'[^' ]*'|\[\[?\w+\]?\]", "name", text)


def faults(text):
    """Name the rules of the page that a sentence breaks."""
    plain = without_names(text)
    capital = [
        after
        for after in re.findall(r": ([A-Z].*)", plain)
        if not after.startswith(NAMES) and re.match(r"[A-Z][a-z]", after)
    ]
    return [
        name
        for name, broken in {
            "capital after a colon": capital,
            "Hz twice in one list": re.search(r"\d (k?Hz)(,| and| or| to) [\d.]+ \1", plain),
            "two signs for minus": re.search(r"−\d", plain) and re.search(r"(?<![\w.])-\d", plain),
            "banned word": any(word.search(text) for word in BANNED),
        }.items()
        if broken
    ]


def most_at_once(entry):
    """Count the words of the longest stretch to a stop or colon, cautions not counted."""
    for caution in (getattr(cautions, name) for name in ("LIFTING", "CARRYING", "MUTING", "MAINS")):
        entry = entry.replace(caution, "")
    return max(len(part.split()) for part in re.split(r"[.:;](?:\s|$)", entry))


def test_page_bans_what_the_test_reads():
    assert len(BANNED) > 20
    assert {"upright", "front less back", "reckoned", "mend"} <= set(banned())


@pytest.mark.parametrize(
    ("bad", "rule"),
    [
        ("Move it: The box is loud.", "capital after a colon"),
        ("Leave 250 Hz and 315 Hz alone.", "Hz twice in one list"),
        ("From 1 kHz to 4 kHz it is dull.", "Hz twice in one list"),
        ("Set 63 to -3 and 80 to −2 dB.", "two signs for minus"),
        ("Front less back: 4 dB.", "banned word"),
        ("All stand.", "banned word"),
        ("It is Reckoned for noise.", "banned word"),
    ],
)
def test_each_rule_fails_on_a_bad_sentence(bad, rule):
    assert faults(bad) == [rule]


@pytest.mark.parametrize(
    "good",
    [
        "Speech is good: STI 0.71.",
        "Leave 250, 315 and 400 Hz alone.",
        "From 200 Hz to 4 kHz they are alike.",
        'Write [equalizer] response = "measured": [equalizer] wants it.',
        "Set 63 to -3 and 80 to -2 dB.",
    ],
)
def test_good_sentences_break_no_rule(good):
    assert faults(good) == []


def test_strings_are_read_as_they_are_written():
    source = 'def f():\n    """A docstring here."""\n    return f"At {hz_text(x)} it is " "loud."'
    assert sentences_of(source) == ["At 63 Hz it is loud."]


def test_long_entries_are_counted_without_their_cautions():
    assert most_at_once(f"Raise both. {cautions.LIFTING} They are low.") == 3
    assert most_at_once("word " * 41 + ": why") == 41


def test_every_sentence_in_the_source_keeps_the_rules():
    assert {(module, text): faults(text) for module, text in in_source() if faults(text)} == {}


def test_every_sentence_of_pages_and_paper_keeps_the_rules():
    assert {one: faults(one[1]) for one in on_pages_and_paper() if faults(one[1])} == {}


def test_pages_are_read_as_they_are_shown():
    page = '<p title="A tip here">{# no #}Set <b>{{ hz }}</b> Hz.</p>{% if x %}<p>Not now.</p>'
    assert on_page(page) == ["A tip here", "Set 7 Hz.", "Not now."]
    assert in_script('a.b = "No sound."; c = `At ${hz} Hz.`;') == ["No sound.", "At 7 Hz."]


def test_every_sentence_of_real_results_keeps_the_rules(told):
    assert {text: faults(text) for text in told if faults(text)} == {}


def test_worklist_entries_are_short_before_their_why(worklists):
    assert {entry for entry in worklists if most_at_once(entry) > MOST_WORDS} == set()
