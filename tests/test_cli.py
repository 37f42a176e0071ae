"""The command line as a person and as a script meet it."""

import datetime
import json
import subprocess
import sys
import types
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile
from rich.console import Console
from typer.testing import CliRunner

from evenhall import __version__
from evenhall.acoustics.stimulus import pink_noise
from evenhall.cli import app, main
from evenhall.errors import InputError
from evenhall.job.folder.reading import Equalizer
from evenhall.job.tune.result import (
    CardStep,
    Difference,
    Evenness,
    Fader,
    FinerUnit,
    Forecast,
    ForecastBand,
    Match,
    Move,
    Proof,
    Result,
    TakeProblem,
    TakeResult,
    TargetCurve,
    to_json,
)
from evenhall.terminal import show_result

JOB = """
[venue]
name = "Tannery Row Hall"
[[take]]
file = "left-front.wav"
side = "left"
spot = "front"
reference_channel = 2
"""
FADERS = {63.0: 0.0, 250.0: -4.5, 1250.0: 0.5, 3150.0: -12.0}
ORDER = {3150.0: 1, 250.0: 2, 1250.0: 3}
RAISE = "Raise both loudspeakers to 2.6 m and tip them down 7 degrees: the back then hears as much."


def example(*, usable: bool = True, **fields) -> Result:
    """A result as the takes of a small hall give it, in few bands."""
    clipped = TakeProblem(code="clipped", text="Clipped at 3 places. Lower the preamp.")
    takes = tuple(
        TakeResult(
            file=f"{side}-{spot}.wav",
            side=side,
            spot=spot,
            state="before",
            usable=usable,
            problems=() if usable and spot == "front" else (clipped,),
        )
        for side in ("left", "right")
        for spot in ("front", "back")
    )
    evenness = Difference(hz=1000.0, front_minus_back_db=7.9, holds=False)
    band = ForecastBand(hz=1000.0, before_db=2.1, after_db=-0.2, target_db=0.0, weight=1.0)
    whole = {
        "evenness": Evenness(limit_db=6.0, holds=False, bands=(evenness,), sides={}),
        "match": Match(holds=True, level_db=0.3, bands=()),
        "card": {
            "both": tuple(
                Fader(hz=hz, fader_db=db, order=ORDER.get(hz)) for hz, db in FADERS.items()
            )
        },
        "card_steps": tuple(
            CardStep(faders=at, seat_after_db=db) for at, db in enumerate((2.2, 1.6, 1.5), 1)
        ),
        "forecast": Forecast(
            bands=(band,),
            rms_before_db=3.4,
            rms_after_db=1.2,
            seat_before_db=3.6,
            seat_after_db=1.5,
            seat_after_90_db=(1.2, 1.8),
            finer_unit=FinerUnit(bands=31, rms_after_db=0.8),
        ),
        "moves": (
            Move(
                order=1,
                kind="raise",
                text=RAISE,
                expected={"front_minus_back_db": 5.4, "was_db": 8.1},
            ),
            Move(order=2, kind="equalize", text="Set the card."),
        ),
    }
    return Result(
        job="Tannery Row Hall",
        takes=takes,
        target=TargetCurve(shape="tilt", points=((63.0, 4.0),)),
        **((whole if usable else {}) | fields),
    )


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "job.toml").write_text(JOB)
    (tmp_path / "left-front.wav").write_bytes(b"")
    return tmp_path


@pytest.fixture
def pipeline(monkeypatch) -> Callable[..., list]:
    """Put a pipeline in the place of the real one: it gives the result, or raises the error."""

    def put(answer: Result | BaseException) -> list:
        calls: list = []

        def tune(job, folder, *, progress=None):
            calls.append((job, folder))
            if progress is not None:
                progress("takes", 1, 1)
            if isinstance(answer, BaseException):
                raise answer
            return answer

        module = types.ModuleType("evenhall.job.tune.tuning")
        module.tune = tune
        monkeypatch.setitem(sys.modules, "evenhall.job.tune.tuning", module)
        return calls

    return put


def run(*words: object):
    return CliRunner().invoke(app, [str(word) for word in words])


def test_tune_writes_result_and_sheet_and_prints_worklist_and_card(folder, pipeline):
    calls = pipeline(example())
    ended = run("tune", folder)
    assert ended.exit_code == 0, ended.output
    assert [job.venue.name for job, _ in calls] == ["Tannery Row Hall"]
    assert json.loads((folder / "out" / "result.json").read_bytes())["schema"] == 1
    assert (folder / "out" / "sheet.pdf").read_bytes().startswith(b"%PDF-")
    assert "Raise both loudspeakers to 2.6 m" in ended.stdout
    assert "3.15 kHz  -12.0 dB" in ended.stdout
    assert f"Sheet to print: {folder / 'out' / 'sheet.pdf'}" in ended.stdout
    assert ended.stderr == ""


def test_json_prints_the_bytes_of_the_file_and_nothing_else(folder, pipeline):
    pipeline(example())
    ended = run("tune", folder, "--json")
    assert ended.exit_code == 0
    assert ended.stdout_bytes == (folder / "out" / "result.json").read_bytes()
    assert ended.stdout_bytes == to_json(example())


def test_out_goes_where_it_is_told(folder, pipeline, tmp_path_factory):
    pipeline(example())
    out = tmp_path_factory.mktemp("elsewhere") / "new"
    assert run("tune", folder, "--out", out).exit_code == 0
    assert sorted(path.name for path in out.iterdir()) == ["result.json", "sheet.pdf"]
    assert not (folder / "out").exists()


def test_sheet_bears_the_date_that_is_given(folder, pipeline, monkeypatch):
    import evenhall.sheet

    pipeline(example())
    dates = []
    monkeypatch.setattr(
        evenhall.sheet, "render", lambda result, job, *, date: dates.append(date) or b"%PDF-"
    )
    assert run("tune", folder, "--date", "2026-03-01").exit_code == 0
    assert run("tune", folder).exit_code == 0
    assert dates == [datetime.date(2026, 3, 1), datetime.date.today()]


@pytest.mark.parametrize("option", [[], ["--json"]])
def test_no_usable_take_ends_with_3_and_still_writes(folder, pipeline, option):
    pipeline(example(usable=False))
    ended = run("tune", folder, *option)
    assert ended.exit_code == 3
    assert ended.stderr == "No take is usable: the result says why for each.\n"
    assert (folder / "out" / "result.json").exists()
    assert "Clipped at 3 places. Lower the preamp." in ended.stdout


def test_faults_are_lines_on_standard_error_and_nothing_is_written(folder, pipeline):
    calls = pipeline(example())
    (folder / "job.toml").write_text(JOB + "mic_chanel = 1\n[equalizer]\nstep_db = -0.5\n")
    ended = run("tune", folder, "--json")
    assert ended.exit_code == 2
    assert ended.stdout == ""
    assert ended.stderr.splitlines() == [
        "job.toml: [equalizer] step_db = -0.5 is negative. "
        "Give 0 for continuous faders, or a step such as 0.5.",
        'job.toml: [[take]] 1 (left-front.wav) has no field "mic_chanel". '
        'Did you mean "mic_channel"?',
    ]
    assert calls == []
    assert not (folder / "out").exists()


def test_fault_found_on_the_way_is_a_line_too(folder, pipeline):
    pipeline(InputError("stimulus.wav: is not a sound file. Give a WAV."))
    ended = run("tune", folder)
    assert (ended.exit_code, ended.stderr) == (
        2,
        "stimulus.wav: is not a sound file. Give a WAV.\n",
    )


def test_file_that_vanishes_on_the_way_is_a_line(folder, pipeline):
    pipeline(FileNotFoundError(2, "No such file or directory", "left-front.wav"))
    ended = run("tune", folder)
    assert ended.exit_code == 2
    assert ended.stderr == (
        "left-front.wav: could not be read or written (No such file or directory).\n"
    )


def test_result_that_cannot_be_written_is_a_line(folder, pipeline):
    pipeline(example())
    (folder / "out").write_bytes(b"mine")
    ended = run("tune", folder)
    assert ended.exit_code == 2
    assert ended.stdout == ""
    assert ended.stderr.count("\n") == 1
    assert "sheet.pdf: could not be written (File exists)" in ended.stderr
    assert (folder / "out").read_bytes() == b"mine"


def test_interrupt_ends_with_130_and_no_traceback(folder, pipeline):
    pipeline(KeyboardInterrupt())
    ended = run("tune", folder)
    assert ended.exit_code == 130
    assert "Traceback" not in ended.output
    assert not (folder / "out").exists()


def test_stimulus_is_what_was_asked_for(tmp_path):
    path = tmp_path / "pink.wav"
    ended = run("stimulus", path, "--length", 1, "--rate", 44100, "--level", -26)
    assert ended.exit_code == 0, ended.output
    samples, rate_hz = soundfile.read(path)
    assert (samples.size, rate_hz) == (44100, 44100)
    # dBFS as AES17 has it: a full-scale sine, of RMS value 1/sqrt(2), is 0 dBFS.
    level_dbfs = 20 * np.log10(np.sqrt(2 * np.mean(samples**2)))
    assert abs(level_dbfs - -26.0) <= 0.01
    assert ended.stdout == ""
    assert "pink noise, 1 s at 44100 Hz, -26 dBFS RMS" in ended.stderr
    assert "protect your ears" in ended.stderr


def test_same_seed_gives_the_same_file_and_another_seed_another(tmp_path):
    for name, seed in (("a.wav", 1), ("b.wav", 1), ("c.wav", 2)):
        assert run("stimulus", tmp_path / name, "--length", 1, "--seed", seed).exit_code == 0
    a, b, c = ((tmp_path / name).read_bytes() for name in ("a.wav", "b.wav", "c.wav"))
    assert a == b
    assert a != c


def test_crest_limit_is_kept(tmp_path):
    path = tmp_path / "a.wav"
    assert run("stimulus", path, "--length", 1, "--crest-limit", 8).exit_code == 0
    samples, _ = soundfile.read(path)
    crest_db = 20 * np.log10(np.abs(samples).max() / np.sqrt(np.mean(samples**2)))
    assert 6.0 <= crest_db <= 8.01


def test_sweep_starts_low_and_ends_high_in_its_band(tmp_path):
    path = tmp_path / "sweep.flac"
    ended = run("stimulus", path, "--kind", "sweep", "--length", 2, "--low", 100, "--high", 8000)
    assert ended.exit_code == 0, ended.output
    samples, rate_hz = soundfile.read(path)

    def crossings_hz(part: np.ndarray) -> float:
        return np.count_nonzero(np.diff(np.signbit(part))) / 2 * rate_hz / part.size

    assert 80 <= crossings_hz(samples[:12000]) <= 150
    assert 6000 <= crossings_hz(samples[-4800:]) <= 8500


@pytest.mark.parametrize(
    ("options", "line"),
    [
        (
            ["a.mp3"],
            "a.mp3: cannot be written as that kind of file. Give a name in .wav or .flac.",
        ),
        (
            ["a.wav", "--rate", "8000"],
            "--rate = 8000 is out of range. Give 44100 to 192000 Hz.",
        ),
        (
            ["a.wav", "--rate", "384000"],
            "--rate = 384000 is out of range. Give 44100 to 192000 Hz.",
        ),
        (
            ["a.wav", "--length", "0"],
            "--length = 0 is out of range. Give 0.5 to 600 seconds.",
        ),
        (
            ["a.wav", "--length", "nan"],
            "--length = nan is out of range. Give 0.5 to 600 seconds.",
        ),
        (
            ["a.wav", "--high", "23950"],
            "--high = 23950 is too high for a sample rate of 48000 Hz. Give at most 23904.",
        ),
        (
            ["a.wav", "--kind", "sweep", "--crest-limit", "6"],
            "--crest-limit is for pink noise: a sweep has the crest factor of a sine.",
        ),
    ],
)
def test_stimulus_that_cannot_be_is_refused_before_writing(tmp_path, monkeypatch, options, line):
    monkeypatch.chdir(tmp_path)
    ended = run("stimulus", *options)
    assert (ended.exit_code, ended.stdout, ended.stderr) == (2, "", line + "\n")
    assert list(tmp_path.iterdir()) == []


def test_level_that_would_clip_is_refused_with_the_highest(tmp_path):
    path = tmp_path / "a.wav"
    ended = run("stimulus", path, "--length", 1, "--level", -2)
    assert ended.exit_code == 2
    assert ended.stderr.startswith("--level = -2 would clip: the peaks lie ")
    assert not path.exists()
    highest_dbfs = float(ended.stderr.rsplit("at most ", 1)[1].split()[0])
    assert run("stimulus", path, "--length", 1, "--level", highest_dbfs).exit_code == 0


def test_file_that_exists_is_replaced_only_by_force(tmp_path):
    path = tmp_path / "a.wav"
    path.write_bytes(b"mine")
    ended = run("stimulus", path, "--length", 1)
    assert ended.exit_code == 2
    assert ended.stderr == f"{path}: exists. Give another name, or --force to replace it.\n"
    assert path.read_bytes() == b"mine"
    assert run("stimulus", path, "--length", 1, "--force").exit_code == 0
    assert path.read_bytes().startswith(b"RIFF")


def test_what_is_no_file_is_never_replaced(tmp_path):
    path = tmp_path / "a.wav"
    path.mkdir()
    ended = run("stimulus", path, "--force")
    assert ended.exit_code == 2
    assert ended.stderr == f"{path}: is not a file that can be replaced. Give another name.\n"


def test_stimulus_on_a_full_disk_is_one_line(tmp_path, monkeypatch):
    import os

    def full(descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    ended = run("stimulus", tmp_path / "a.wav", "--length", 1)
    assert ended.exit_code == 2
    assert ended.stderr.count("\n") == 1
    assert "a.wav: could not be written (No space left on device)" in ended.stderr
    assert list(tmp_path.iterdir()) == []


def test_after_takes_need_a_result_first(folder):
    ended = run("demo", folder, "--after")
    assert ended.exit_code == 2
    assert ended.stderr == (
        f"{folder / 'out' / 'result.json'}: is missing. Tune first: evenhall tune {folder}\n"
    )


def test_after_takes_refuse_a_result_that_cannot_be_read(folder):
    (folder / "out").mkdir()
    (folder / "out" / "result.json").write_text('{"schema": 2}')
    ended = run("demo", folder, "--after")
    assert ended.exit_code == 2
    assert "is not a result of this version. Tune again:" in ended.stderr


def test_demo_is_made_tuned_and_made_again_with_the_card(tmp_path, pipeline):
    folder = tmp_path / "hall"
    ended = run("demo", folder)
    assert (ended.exit_code, ended.stdout) == (0, ""), ended.output
    assert ended.stderr == f"{folder}: ready. Now: evenhall tune {folder}\n"
    card = {"both": (Fader(hz=250.0, fader_db=-4.5),)}
    calls = pipeline(example(card=card))
    assert run("tune", folder).exit_code == 0
    assert run("demo", folder, "--after").exit_code == 0
    assert run("tune", folder).exit_code == 0
    (first, _), (second, _) = calls
    assert {take.state for take in first.takes} == {"before"}
    assert {take.state for take in second.takes} == {"before", "after"}


def test_demo_keeps_out_of_a_folder_that_holds_something_else(folder):
    ended = run("demo", folder)
    assert ended.exit_code == 2
    assert ended.stderr.count("\n") == 1
    assert (folder / "job.toml").read_text() == JOB


def shown(result: Result, *, width: int = 80, unit: Equalizer | None = None) -> list[str]:
    console = Console(width=width, record=True, file=open("/dev/null", "w"))  # noqa: SIM115
    with console.file:
        show_result(console, result, unit or Equalizer())
        return console.export_text().splitlines()


@pytest.mark.parametrize("width", [60, 80])
def test_everything_fits_the_width(width):
    lines = shown(example(), width=width)
    assert max(map(len, lines)) <= width
    assert " ".join(" ".join(lines).split()).count(RAISE) == 1


def test_card_lists_the_faders_that_move_what_brings_most_first():
    lines = shown(example())
    start = lines.index("Card, left and right alike")
    rows = [line.split() for line in lines[start + 2 : start + 5]]
    assert [row[:5] for row in rows] == [
        ["1", "3.15", "kHz", "-12.0", "dB"],
        ["2", "250", "Hz", "-4.5", "dB"],
        ["3", "1.25", "kHz", "+0.5", "dB"],
    ]
    assert "All others (1) stay at 0 dB." in lines[start + 5]


def test_card_draws_each_fader_at_its_place_on_the_scale():
    lines = shown(example())
    start = lines.index("Card, left and right alike")
    scale, rails = lines[start + 1], lines[start + 2 : start + 5]
    middle = rails[0].index("│")
    assert scale[middle] == "0"
    # +-12 dB over 12 columns a side: a decibel a column; the smallest move shows its side.
    assert [rail.index("O") - middle for rail in rails] == [-12, -4, 1]


def test_card_with_nothing_to_move_says_so():
    flat = {"both": (Fader(hz=63.0, fader_db=0.0),)}
    assert "Nothing to move: leave all faders at 0." in shown(example(card=flat))


def test_card_a_side_is_titled_by_its_side():
    faders = (Fader(hz=63.0, fader_db=-3.0),)
    lines = shown(example(card={"left": faders, "right": faders}))
    assert {"Card, left", "Card, right"} <= set(lines)


def test_verdict_names_evenness_forecast_and_proof():
    proof = Proof(rms_db=1.3, forecast_error_db=0.6, holds=True, bands=())
    text = " ".join(" ".join(shown(example(proof=proof))).split())
    for words in ("7.9 dB", "3.6 dB", "1.5 dB", "0.8 dB", "1.3 dB", "0.6 dB", "Proof holds"):
        assert words in text


def test_long_move_is_printed_whole():
    text = "Raise both loudspeakers. " + "Two people, and a rated stand. " * 12 + "Then look up."
    moves = (Move(order=1, kind="raise", text=text),)
    assert text in " ".join(" ".join(shown(example(moves=moves))).split())


def test_names_are_never_read_as_markup():
    assert shown(example().model_copy(update={"job": "[red]Hall[/red] :bell:"}))[0].startswith(
        "[red]Hall[/red] :bell:"
    )


EVENHALL = Path(sys.executable).with_name("evenhall")


def test_terminal_without_utf8_gets_a_line_not_a_traceback():
    ended = subprocess.run(
        [EVENHALL, "tune", "Gemeindesaal Süd"],
        capture_output=True,
        text=True,
        timeout=60,
        env={"PYTHONIOENCODING": "ascii", "PATH": ""},
    )
    assert ended.returncode == 2
    assert ended.stderr.count("\n") == 1
    assert ended.stderr.endswith(": no such folder. Give the folder that holds job.toml.\n")


def test_help_imports_nothing_slow():
    code = (
        "import sys; from typer.testing import CliRunner; from evenhall.cli import app; "
        "ended = CliRunner().invoke(app, ['--help']); assert ended.exit_code == 0; "
        "print(sorted({'numpy', 'scipy', 'rich', 'pydantic', 'typst', 'soundfile'} "
        "& set(sys.modules)))"
    )
    ended = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60)
    assert ended.stdout == "[]\n", ended.stderr


def test_tune_from_files_to_sheet_loads_no_optimizer(tmp_path):
    """Of scipy it needs the transforms and one special function; the rest takes time to load."""
    played = pink_noise(3.0, rate_hz=48_000, seed=1)
    lines = [
        "[venue]",
        'name = "Small"',
        "[audience]",
        "first_row_m = 2.0",
        "last_row_m = 9.0",
        "[rig]",
        "speaker_height_m = 1.8",
        "low_limit_hz = 55.0",
    ]
    for side, state in (("left", "before"), ("right", "before"), ("left", "after")):
        name = f"{side}-{state}.wav"
        heard = 0.5 * played + 0.3 * np.roll(played, 40)
        soundfile.write(tmp_path / name, np.stack([heard, played], axis=1), 48_000)
        lines += ["[[take]]", f'file = "{name}"', f'side = "{side}"', f'state = "{state}"']
        lines += ['spot = "front"', "reference_channel = 2"]
    (tmp_path / "job.toml").write_text("\n".join(lines))
    code = (
        "import sys\n"
        "from evenhall.cli import main\n"
        f"sys.argv = ['evenhall', 'tune', {str(tmp_path)!r}]\n"
        "try:\n    main()\nexcept SystemExit as ended:\n    assert not ended.code\n"
        "loaded = {'scipy.optimize', 'scipy.signal', 'scipy.interpolate'} & set(sys.modules)\n"
        "print('loaded:', sorted(loaded))"
    )
    ended = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60)
    assert (tmp_path / "out" / "sheet.pdf").is_file(), ended.stderr
    assert ended.stdout.endswith("loaded: []\n")


@pytest.mark.parametrize(("wish", "threads"), [({}, "1"), ({"OPENBLAS_NUM_THREADS": "2"}, "2")])
def test_products_are_not_cut_up_among_threads_unless_the_user_wants_it(wish, threads, monkeypatch):
    environ = dict(wish)
    monkeypatch.setattr("os.environ", environ)
    monkeypatch.setattr("sys.argv", ["evenhall", "--version"])
    with pytest.raises(SystemExit):
        main()
    assert environ["OPENBLAS_NUM_THREADS"] == threads


@pytest.mark.parametrize("command", [[], ["tune"], ["stimulus"], ["demo"]])
def test_help_fits_80_columns(command):
    ended = run(*command, "--help")
    lines = ended.stdout.splitlines()
    assert lines[0].startswith("Usage: ")
    assert max(map(len, lines)) <= 80
    assert "\b" not in ended.stdout
    assert r"\b" not in ended.stdout


def test_version():
    assert run("--version").stdout == f"evenhall {__version__}\n"


def test_wrong_command_is_answered_with_the_nearest():
    ended = run("tuen", "x")
    assert ended.exit_code == 2
    assert "Did you mean 'tune'?" in ended.stderr


def test_hall_says_what_hands_would_bring_before_any_take(tmp_path):
    folder = tmp_path / "quarry"
    folder.mkdir()
    (folder / "job.toml").write_text(
        '[venue]\nname = "Quarry Lane Hall"\nlength_m = 18.0\nwidth_m = 10.0\nheight_m = 4.5\n'
        "rt60_s = 0.9\n[audience]\nfirst_row_m = 2.0\nlast_row_m = 14.0\n"
        "[rig]\nspeaker_height_m = 1.8\nmax_height_m = 3.0\n",
        encoding="utf-8",
    )
    ended = run("hall", folder, "--drawing", tmp_path / "quarry.svg")
    assert ended.exit_code == 0, ended.output
    words = " ".join(ended.stdout.split())
    assert "Raise both boxes to" in words
    assert "Forecast: speech is" in words
    assert "front: 2.0 m down the room" in words
    assert (tmp_path / "quarry.svg").read_text(encoding="utf-8").startswith("<svg")
    assert not (folder / "out").exists()


def test_hall_names_the_figures_that_are_missing(tmp_path):
    (tmp_path / "job.toml").write_text('[venue]\nname = "Hall"\n', encoding="utf-8")
    ended = run("hall", tmp_path)
    assert ended.exit_code == 2
    assert ended.stderr.count("is missing. The forecast of the hall needs it.") == 3
