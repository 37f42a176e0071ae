"""Who may look and touch: one-time codes for the phone, and the sessions that they open.

Start at `Pairing`. This computer needs no code; another device needs the one that the laptop
shows. A code opens one session and is spent. Wrong tries slow down the device they come from, and
nobody else: a stranger in the network must not be able to shut the owner out.
"""

from __future__ import annotations

import hmac
import math
import secrets
import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from threading import Lock

__all__ = ["CODE_LASTS_S", "MAX_SESSIONS", "TRIES", "TRY_EVERY_S", "Pairing", "TooManyTries"]

# Letters and digits that are not taken for one another on a screen across a hall.
SIGNS = "ABCDEFGHJKMNPQRSTUVWXYZ23456789"
# 31^10 are 8.2e14 codes, and each is good for five minutes. However many addresses the guesses
# come from (this door speaks IPv4 alone; who has a network to himself has many): a server that
# answered ten thousand a second, more than this one can, would have seen 3e6 of them by then, and
# the code among them once in 270 million times. So no count of all tries is needed, which anyone
# could spend for all.
CODE_LENGTH = 10
CODE_LASTS_S = 300.0
# Wrong tries of one device, and how long it waits for each further one. A person mistypes less.
TRIES, TRY_EVERY_S = 8, 10.0
MAX_ADDRESSES = 256  # that are remembered
MAX_SESSIONS = 8
SESSION_LASTS_S = 18 * 3600.0  # load-in to load-out


@dataclass(frozen=True)
class _Code:
    text: str
    until_s: float


class TooManyTries(Exception):  # noqa: N818 - it is an answer to the asker, no fault
    """A device has tried too often.

    Parameters
    ----------
    wait_s : int
        How long it has to wait.
    """

    def __init__(self, wait_s: int) -> None:
        super().__init__("too many tries")
        self.wait_s = wait_s


class Pairing:
    """Codes and sessions; kept in memory, so that a restart forgets them.

    Parameters
    ----------
    clock : callable
        Seconds, any origin.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._code: _Code | None = None
        self._sessions: dict[str, float] = {}
        # When all wrong tries of a device will be forgotten, by its address.
        self._forgotten_s: OrderedDict[str, float] = OrderedDict()
        self._lock = Lock()

    def new_code(self) -> str:
        """Make a code; an earlier one is void."""
        text = "".join(secrets.choice(SIGNS) for _ in range(CODE_LENGTH))
        with self._lock:
            self._code = _Code(text, self._clock() + CODE_LASTS_S)
        return text

    def redeem(self, text: str, *, address: str = "") -> str | None:
        """Spend a code; give the key of a session, or None.

        Parameters
        ----------
        text : str
        address : str
            Of the device that gives it.

        Raises
        ------
        TooManyTries
            Too many wrong ones came from there: this one was not looked at.
        """
        plain = "".join(text.split()).upper().replace("-", "")
        with self._lock:
            code, now_s = self._code, self._clock()
            forgotten_s = max(now_s, self._forgotten_s.get(address, now_s))
            wait_s = forgotten_s - now_s - (TRIES - 1) * TRY_EVERY_S
            if wait_s > 0.0:
                raise TooManyTries(math.ceil(wait_s))
            if code is None or now_s > code.until_s:
                return None
            if not hmac.compare_digest(plain.encode(), code.text.encode()):
                self._forgotten_s[address] = forgotten_s + TRY_EVERY_S
                self._forgotten_s.move_to_end(address)
                while len(self._forgotten_s) > MAX_ADDRESSES:
                    self._forgotten_s.popitem(last=False)
                return None
            self._code = None
            self._forgotten_s.pop(address, None)
            key = secrets.token_urlsafe(32)
            while len(self._sessions) >= MAX_SESSIONS:
                del self._sessions[next(iter(self._sessions))]
            self._sessions[key] = self._clock() + SESSION_LASTS_S
            return key

    def knows(self, key: str | None) -> bool:
        """Whether a session of that key is open."""
        with self._lock:
            return key is not None and self._sessions.get(key, 0.0) > self._clock()

    @property
    def paired(self) -> int:
        """How many sessions are open."""
        with self._lock:
            return sum(until_s > self._clock() for until_s in self._sessions.values())

    def forget(self) -> None:
        """Close all sessions, and make the code void."""
        with self._lock:
            self._code = None
            self._sessions.clear()
