"""The command that tells how loud it is, live and in recordings: `evenhall loudness`."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from evenhall.cli.app import app, ask, faults_as_lines, options_by_name
from evenhall.cli.sound_options import DeviceName, MicChannel, Rate, choice_of
from evenhall.errors import EXIT_NOTHING_USABLE, InputError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from evenhall.acoustics.correction import Deviation
    from evenhall.cli.watching import TerminalWatch
    from evenhall.job.live.loudness import Loudest, Place
    from evenhall.sound.live.choosing import Choice
    from evenhall.sound.live.sensitivity import Calibrated
    from evenhall.sound.live.session import Live
    from evenhall.verdict.loudness import Limit, Sensitivity

PUT_ON = (
    "Push the microphone all the way into the calibrator of {level:g} dB and switch it on. Enter "
    "listens for 5 s, n ends:"
)
HOLD_METER = (
    "Protect your ears, let steady noise play, and hold the meter (A, slow) beside the microphone: "
    "it has to read {level:g} dB(A). Enter listens for 10 s, n ends:"
)


@dataclass(frozen=True)
class _Known:
    """How the sensitivity is known; at most one of the three."""

    calibrator: float | None
    reads: float | None
    sensitivity: float | None
    heard: Path | None

    def check(self, *, files: bool) -> None:
        """Refuse what does not go together."""
        given = [self.calibrator, self.reads, self.sensitivity]
        faults = []
        if sum(one is not None for one in given) > 1:
            faults.append("Give one of --calibrator, --reads and --sensitivity.")
        if self.heard is not None and not files:
            faults.append(
                "--heard is for recordings. Live the microphone itself listens: leave it out."
            )
        if files and self.sensitivity is None and (self.listens is None or self.heard is None):
            faults.append(
                "The level of a recording is not known by itself. Give --calibrator or --reads, "
                "and with --heard the recording in which that is heard; or --sensitivity."
            )
        if faults:
            raise InputError(*faults)

    @property
    def listens(self) -> float | None:
        """Level that is heard of a calibrator or by a meter."""
        return self.reads if self.calibrator is None else self.calibrator


@app.command()
def loudness(
    files: Annotated[
        list[Path] | None,
        typer.Argument(
            metavar="[FILE]...", help="Recordings, parts of one in order.  [the microphone, live]"
        ),
    ] = None,
    calibrator: Annotated[
        float | None,
        typer.Option(metavar="DB", help="A calibrator of 94 or 114 dB at 1 kHz is heard."),
    ] = None,
    reads: Annotated[
        float | None,
        typer.Option(
            metavar="DB",
            min=40.0,
            max=130.0,
            help="Steady noise is heard, and a second meter beside the microphone reads so many "
            "dB(A).",
        ),
    ] = None,
    heard: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Of recordings: in which calibrator or noise is heard."),
    ] = None,
    sensitivity: Annotated[
        float | None,
        typer.Option(
            metavar="DB",
            min=40.0,
            max=200.0,
            help="Or: the level that reads as a full-scale sine, dB SPL, such as 114.",
        ),
    ] = None,
    gain: Annotated[
        str | None,
        typer.Option(
            metavar="NOTE", help="Where the microphone's gain is, such as \"12 o'clock\"."
        ),
    ] = None,
    microphone: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="Its calibration file, Hz and dB: what it adds is taken off.",
        ),
    ] = None,
    louder_by: Annotated[
        float | None,
        typer.Option(
            metavar="DB",
            min=-20.0,
            max=30.0,
            help="The loudest audience place is so much louder than the microphone's.",
        ),
    ] = None,
    takes: Annotated[
        Path | None,
        typer.Option(
            metavar="FOLDER",
            help="The same from the takes of a job: the loudest spot against the one called mixer.",
        ),
    ] = None,
    audience_limit: Annotated[
        float,
        typer.Option(metavar="DB", min=80.0, max=110.0, help="Limit of the audience, dB(A)."),
    ] = 100.0,
    over: Annotated[
        float, typer.Option(metavar="MIN", min=1.0, max=60.0, help="Averaged over so long.")
    ] = 15.0,
    log: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="CSV, a row a second; live one that is there goes on."),
    ] = None,
    length: Annotated[
        float | None,
        typer.Option(metavar="S", min=1.0, help="Live: end after so long.  [until a key]"),
    ] = None,
    ready: Annotated[
        bool, typer.Option("--ready", help="Calibrator or meter is in place: do not ask.")
    ] = False,
    device: DeviceName = None,
    mic: MicChannel = None,
    rate: Rate = None,
) -> None:
    """Tell how loud it is and how long it may be so: dB(A) and dB(C), LAeq, peak, time left.

    This is no certified measurement, and local law decides. Calibrate once for each gain of the
    microphone, with a calibrator or a second meter; then put the microphone at the loudest
    audience place, or say by how much that is louder. Nothing is played.

    Limits: the audience's, 100 dB(A) over 15 minutes unless you choose another (WHO 2022), and
    the one at work, 85 dB(A) over 8 hours, 3 dB more halve the time (NIOSH).

    \b
    Examples:
      evenhall loudness --calibrator 94 --gain "12 o'clock"
      evenhall loudness --reads 87.5
      evenhall loudness --log concert.csv --louder-by 4
      evenhall loudness concert.wav --calibrator 94 --heard tone.wav
    """  # noqa: D301 - the mark keeps the lines below it apart
    with faults_as_lines():
        known = _Known(calibrator, reads, sensitivity, heard)
        known.check(files=bool(files))
        for one in (*(files or ()), *(() if heard is None else (heard,))):
            if not one.is_file():
                raise InputError(f"{one}: no such file. Give a recording that is there.")
        _check_calibrator(calibrator)
        choice = choice_of(device, None, None, rate, mic, "outside", None, None)
        more_db = _louder_db(louder_by, takes)
        adds = _deviation(microphone)
        audience = _audience(audience_limit, over)
        from evenhall import terminal
        from evenhall.job.live.loudness import Place, loudness_of_files

        at = partial(Place, louder_db=more_db, audience=audience, microphone=adds)
        if files:
            place = at(_by_file(known, mic or 1, adds))
            found = loudness_of_files(files, place, channel=mic or 1, log=log)
            for line in (*place.remarks, *_loudest_lines(found, place)):
                terminal.console_for().print(line)
        elif known.listens is not None:
            if log is not None or length is not None:
                raise InputError(
                    "To calibrate comes first, and writes no log. Leave out --log and --length; "
                    "then run evenhall loudness again with them."
                )
            _calibrate(choice, known, gain or "", adds, ready)
        else:
            _watch(choice, at, sensitivity, gain, log, length)


def _deviation(file: Path | None) -> Deviation | None:
    if file is None:
        return None
    from evenhall.acoustics.correction import Deviation
    from evenhall.job.folder.calibration import read_calibration

    return Deviation(*read_calibration(file))


def _check_calibrator(level_db: float | None) -> None:
    from evenhall.verdict.sensitivity import CALIBRATOR_DB

    if level_db is not None and level_db not in CALIBRATOR_DB:
        raise InputError(
            f"--calibrator = {level_db:g} is no calibrator that is known. Give 94 or 114 dB."
        )


def _audience(level_db: float, over_min: float) -> Limit:
    from evenhall.verdict.loudness import AUDIENCE

    chosen = replace(AUDIENCE, level_db=level_db, over_s=60.0 * over_min)
    return AUDIENCE if chosen == AUDIENCE else replace(chosen, source="")


def _louder_db(louder_by: float | None, takes: Path | None) -> float:
    if takes is None:
        return louder_by or 0.0
    if louder_by is not None:
        raise InputError("Give --louder-by or --takes, not both.")
    from evenhall.job.folder.reading import load_job
    from evenhall.job.live.loudness import MIXER_SPOT
    from evenhall.job.live.loudness import louder_by as from_takes
    from evenhall.job.tune.tuning import tune

    more_db = from_takes(tune(load_job(takes), takes))
    if more_db is None:
        raise InputError(
            f'{takes}: no take at the spot "{MIXER_SPOT}" can be compared with another. Make one '
            f"there with evenhall take {takes} left {MIXER_SPOT}, or give --louder-by."
        )
    return more_db


def _by_file(known: _Known, channel: int, microphone: Deviation | None) -> Sensitivity:
    from evenhall.job.live.loudness import sensitivity_in
    from evenhall.sound.recording import read_recording
    from evenhall.verdict.loudness import Sensitivity

    if known.sensitivity is not None:
        return Sensitivity(known.sensitivity, "given")
    assert known.heard is not None
    try:
        recording = read_recording(known.heard, channels=(channel,))
        if not recording.channels:
            raise InputError(f"has no channel {channel}.")
        return sensitivity_in(
            recording.channel(channel),
            recording.rate_hz,
            calibrator_db=known.calibrator,
            reads_db=known.reads,
            microphone=microphone,
        )
    except InputError as error:
        raise InputError(f"{known.heard}: {error}") from error


def _loudest_lines(found: Loudest, place: Place) -> Iterator[str]:
    from evenhall.verdict.loudness import WORK, level_text, limit_text, warning

    whole = found.whole
    yield (
        f"LAeq of all {found.length_s} s: {level_text(whole.leq_db)} dB(A). Highest C peak: "
        f"{level_text(whole.peak_db)} dB(C)."
    )
    windows = ((1, found.leq_1_db), (15, found.leq_15_db), (60, found.leq_60_db))
    for minutes, level_db in windows:
        if level_db == level_db:  # nan where it is shorter
            yield f"Loudest {minutes} min: LAeq {level_text(level_db)} dB(A)."
    for limit, dose in ((place.audience, found.audience_dose), (WORK, whole.work_dose)):
        yield f"{100.0 * dose:.0f} % used of the {limit_text(limit)}."
        if said := warning(dose, limit):
            yield f"! {said}"
    if found.clipped_s:
        yield f"! It clips in {found.clipped_s} s of it: levels there read too low."


@contextmanager
def _listening(choice: Choice) -> Iterator[tuple[Live, TerminalWatch]]:
    """Open the microphone alone."""
    from evenhall import terminal
    from evenhall.cli.watching import watching
    from evenhall.sound.live.choosing import chosen_setup
    from evenhall.sound.live.session import Live, present

    there = present()
    with options_by_name():
        setup = chosen_setup(choice, there)
    setup = replace(setup, reference_channel=0)
    with (
        Live(setup, devices=there) as live,
        watching(terminal.console_for(stderr=True)) as watch,
    ):
        yield live, watch


def _calibrate(
    choice: Choice, known: _Known, gain: str, microphone: Deviation | None, ready: bool
) -> None:
    from datetime import date

    from evenhall.job.live.loudness import heard_sensitivity
    from evenhall.sound.live.sensitivity import Calibrated, keep_sensitivity

    if not ready:
        words = PUT_ON if known.calibrator is not None else HOLD_METER
        answer = ask(words.format(level=known.listens))
        if answer is None:
            raise InputError("Nobody answered. Where all is in place, give --ready.")
        if answer in ("n", "no"):
            raise typer.Exit(EXIT_NOTHING_USABLE)
    with _listening(choice) as (live, watch):
        watch.say("Listening. Any key stops it.")
        found = heard_sensitivity(
            live,
            calibrator_db=known.calibrator,
            reads_db=known.reads,
            microphone=microphone,
            watch=watch,
        )
        setup = live.setup
    keep_sensitivity(
        Calibrated(
            input=setup.input,
            mic_channel=setup.mic_channel,
            db_spl=round(found.db_spl, 2),
            how=found.how,
            gain=gain,
            date=date.today().isoformat(),
        )
    )
    typer.echo(
        f"Calibrated: a full-scale sine is {found.db_spl:.1f} dB, give or take "
        f"{found.uncertainty_db:g} dB. It is kept for input {setup.mic_channel} of "
        f'"{setup.input}". Leave the gain alone: once it is turned, calibrate again.'
    )


def _watch(
    choice: Choice,
    at: Callable[[Sensitivity], Place],
    sensitivity: float | None,
    gain: str | None,
    log: Path | None,
    length: float | None,
) -> None:
    """Watch loudness, with the sensitivity that was given or the one that is kept."""
    from evenhall import terminal
    from evenhall.job.live.loudness import watch_loudness
    from evenhall.verdict.loudness import Sensitivity, loudness_lines

    with _listening(choice) as (live, watch):
        if sensitivity is not None:
            place = at(Sensitivity(sensitivity, "given"))
        else:
            kept = _kept(live, gain)
            place = at(kept.sensitivity)
            where = f" at gain {kept.gain}" if kept.gain else ""
            watch.say(
                f"Calibrated on {kept.date}{where}. If the gain was turned since then, calibrate "
                "again."
            )
        for remark in place.remarks:
            watch.say(remark)
        watch.say("Any key ends it. Nothing is played.")
        found = watch_loudness(live, place, watch=watch, log=log, longest_s=length or float("inf"))
    terminal.console_for().print(loudness_lines(found))


def _kept(live: Live, gain: str | None) -> Calibrated:
    from evenhall.sound.live.sensitivity import kept_sensitivity

    setup = live.setup
    kept = kept_sensitivity(setup.input, setup.mic_channel)
    if kept is None:
        raise InputError(
            f'The microphone on input {setup.mic_channel} of "{setup.input}" is not calibrated. '
            "Give --calibrator 94 with a calibrator, or --reads DB with a second meter; or "
            "--sensitivity."
        )
    if gain is not None and gain != kept.gain:
        was = f'at gain "{kept.gain}"' if kept.gain else "at a gain that was not noted"
        raise InputError(
            f'The microphone was calibrated {was}, and now it is at "{gain}". Put the gain back, '
            "or calibrate again."
        )
    return kept
