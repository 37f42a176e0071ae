"""The verdict of a visit. Start at `Judge`.

Measuring a take costs a third of a second and depends on its recording and on a few figures of
the job; judging all of them costs a hundredth. So what was measured is kept, in memory, and
looked up by everything that it depends on.
"""

from __future__ import annotations

import os
from collections import OrderedDict
from collections.abc import Hashable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from threading import Lock

from evenhall.job.folder.model import Job
from evenhall.job.folder.model import Take as JobTake
from evenhall.job.tune.measuring import measure_take
from evenhall.job.tune.result import Result
from evenhall.job.tune.tuning import result_from
from evenhall.verdict.take import Take
from evenhall.visits.visit import Visit, job_of

__all__ = ["Judge"]

KEPT_TAKES = 256  # some 2 MB each at the most
KEPT_RESULTS = 8


class Judge:
    """Measures and judges, and remembers what it measured. Any thread may ask."""

    def __init__(self) -> None:
        self._takes: OrderedDict[Hashable, Take] = OrderedDict()
        self._results: OrderedDict[Hashable, Result] = OrderedDict()
        self._lock = Lock()
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
        if (known := self._known(key)) is not None:
            return known
        # One at a time: whoever asks for the same meanwhile finds it judged.
        with self._work:
            if (known := self._known(key)) is not None:
                return known
            result = result_from(job, self._measured(job, visit.folder), visit.folder)
            with self._lock:
                self._results[key] = result
                while len(self._results) > KEPT_RESULTS:
                    self._results.popitem(last=False)
        return result

    def _known(self, key: Hashable) -> Result | None:
        with self._lock:
            if key in self._results:
                self._results.move_to_end(key)
            return self._results.get(key)

    def ready(self, visit: Visit) -> bool:
        """Whether all takes of the visit are measured already."""
        job = job_of(visit)
        with self._lock:
            return all(_key(job, visit.folder, take) in self._takes for take in job.takes)

    def take(self, visit: Visit, take: JobTake) -> Take:
        """Measure a take as one of the visit's.

        Raises
        ------
        InputError
            A file that the job names cannot be used.
        """
        job = job_of(visit)
        return self._one(job, visit.folder, take)

    def remember(self, visit: Visit, job_take: JobTake, take: Take) -> None:
        """Keep what has just been measured elsewhere."""
        self._keep(_key(job_of(visit), visit.folder, job_take), take)

    def _measured(self, job: Job, folder: Path) -> list[Take]:
        if len(job.takes) < 2:
            return [self._one(job, folder, take) for take in job.takes]
        with ThreadPoolExecutor(min(len(job.takes), os.cpu_count() or 1)) as pool:
            return list(pool.map(lambda take: self._one(job, folder, take), job.takes))

    def _one(self, job: Job, folder: Path, take: JobTake) -> Take:
        key = _key(job, folder, take)
        with self._lock:
            if key in self._takes:
                self._takes.move_to_end(key)
                return self._takes[key]
        measured = measure_take(job, folder, take)
        self._keep(key, measured)
        return measured

    def _keep(self, key: Hashable, take: Take) -> None:
        with self._lock:
            self._takes[key] = take
            while len(self._takes) > KEPT_TAKES:
                self._takes.popitem(last=False)


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
