"""The verdict of a visit. Start at `Judge`.

Measuring a take costs a third of a second and depends on its recording and on a few figures of
the job; judging all of them costs a hundredth. So what was measured is kept, in memory, and
looked up by everything that it depends on.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Hashable
from pathlib import Path
from threading import Lock
from typing import Generic, TypeVar

from evenhall.job.folder.model import Job
from evenhall.job.folder.model import Take as JobTake
from evenhall.job.tune.measuring import measure_take, take_threads
from evenhall.job.tune.result import Result
from evenhall.job.tune.tuning import result_from
from evenhall.verdict.take import Take
from evenhall.visits.visit import Visit, job_of

__all__ = ["Judge"]

Value = TypeVar("Value")

KEPT_TAKES = 256  # some 2 MB each at the most
KEPT_RESULTS = 8


class _Kept(Generic[Value]):
    """The values that were asked for last, for any thread."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._values: OrderedDict[Hashable, Value] = OrderedDict()
        self._lock = Lock()

    def get(self, key: Hashable) -> Value | None:
        with self._lock:
            if key in self._values:
                self._values.move_to_end(key)
            return self._values.get(key)

    def put(self, key: Hashable, value: Value) -> None:
        with self._lock:
            self._values[key] = value
            while len(self._values) > self._most:
                self._values.popitem(last=False)


class Judge:
    """Measures and judges, and remembers what it measured. Any thread may ask."""

    def __init__(self) -> None:
        self._takes: _Kept[Take] = _Kept(KEPT_TAKES)
        self._results: _Kept[Result] = _Kept(KEPT_RESULTS)
        self._work = Lock()

    def result(self, visit: Visit) -> Result:
        """Judge the takes of a visit; one without takes has an empty result.

        Raises
        ------
        InputError
            A figure of the set-out cannot be so, or a file that the job names cannot be used.
        """
        job = job_of(visit)
        key = (visit.folder, job.model_dump_json(), tuple(_stamp(visit.folder, job)))
        if (known := self._results.get(key)) is not None:
            return known
        # One at a time: whoever asks for the same meanwhile finds it judged.
        with self._work:
            if (known := self._results.get(key)) is not None:
                return known
            result = result_from(job, self._measured(job, visit.folder), visit.folder)
            self._results.put(key, result)
        return result

    def ready(self, visit: Visit) -> bool:
        """Whether all takes of the visit are measured already."""
        job = job_of(visit)
        return all(self._takes.get(_key(job, visit.folder, take)) for take in job.takes)

    def take(self, visit: Visit, take: JobTake) -> Take:
        """Measure a take as one of the visit's.

        Raises
        ------
        InputError
            A file that the job names cannot be used.
        """
        return self._one(job_of(visit), visit.folder, take)

    def remember(self, visit: Visit, job_take: JobTake, take: Take) -> None:
        """Keep what has just been measured elsewhere."""
        self._takes.put(_key(job_of(visit), visit.folder, job_take), take)

    def _measured(self, job: Job, folder: Path) -> list[Take]:
        if len(job.takes) < 2:
            return [self._one(job, folder, take) for take in job.takes]
        with take_threads(job) as pool:
            return list(pool.map(lambda take: self._one(job, folder, take), job.takes))

    def _one(self, job: Job, folder: Path, take: JobTake) -> Take:
        key = _key(job, folder, take)
        measured = self._takes.get(key)
        if measured is None:
            measured = measure_take(job, folder, take)
            self._takes.put(key, measured)
        return measured


def _key(job: Job, folder: Path, take: JobTake) -> Hashable:
    """All that a measured take depends on, see `job.takes`."""
    files = [take.file, take.reference_file, job.microphone.calibration]
    if job.reference is not None:
        files.append(job.reference.file)
    return (
        folder,
        take.model_dump_json(),  # by what it says: a model also differs by which fields were set
        job.rig.low_limit_hz,
        job.venue.temperature_c,
        tuple((name, _state(folder / name)) for name in files if name is not None),
    )


def _stamp(folder: Path, job: Job) -> list[Hashable]:
    takes = [_key(job, folder, take) for take in job.takes]
    beside = [job.rig.polar, job.equalizer.file, job.equalizer.file_right]
    return [*takes, *(_state(folder / name) for name in beside if name is not None)]


def _state(path: Path) -> Hashable:
    """Tell one state of a file from another without reading it."""
    try:
        status = path.stat()
    except OSError:
        return None  # a problem of that take, found when it is read
    return (status.st_size, status.st_mtime_ns)
