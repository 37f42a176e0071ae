"""Who may look and touch: one-time codes for the phone, and the sessions that they open.

Start at `Pairing`. This computer needs no code; another device needs the one that the laptop
shows. A code opens one session and is spent; wrong tries spend it too.
"""

from __future__ import annotations

import hmac
import secrets
import time
from collections.abc import Callable
from dataclasses import dataclass
from threading import Lock

__all__ = ["CODE_LASTS_S", "MAX_SESSIONS", "MAX_WRONG", "Pairing"]

# Letters and digits that are not taken for one another on a screen across a hall.
SIGNS = "ABCDEFGHJKMNPQRSTUVWXYZ23456789"
CODE_LENGTH = 10  # 31^10: eight hundred million million
CODE_LASTS_S = 300.0
# Nobody can guess in so few tries; a person mistypes less often.
MAX_WRONG = 8
MAX_SESSIONS = 8
SESSION_LASTS_S = 18 * 3600.0  # load-in to load-out


@dataclass
class _Code:
    text: str
    until_s: float
    wrong: int = 0


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
        self._lock = Lock()

    def new_code(self) -> str:
        """Make a code; an earlier one is void."""
        text = "".join(secrets.choice(SIGNS) for _ in range(CODE_LENGTH))
        with self._lock:
            self._code = _Code(text, self._clock() + CODE_LASTS_S)
        return text

    def redeem(self, text: str) -> str | None:
        """Spend a code; give the key of a session, or None."""
        plain = "".join(text.split()).upper().replace("-", "")
        with self._lock:
            code = self._code
            if code is None or self._clock() > code.until_s:
                return None
            if not hmac.compare_digest(plain.encode(), code.text.encode()):
                code.wrong += 1
                if code.wrong >= MAX_WRONG:
                    self._code = None
                return None
            self._code = None
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
