"""The variables of a running program: its own, and those that live in the control."""

from collections.abc import Callable, Mapping

NOTHING = float("nan")
Key = int | str


class Variables:
    """Values by number or name; what was never set reads as nothing (NaN).

    Parameters
    ----------
    given : mapping
        Values that the job knows of the control's own variables.
    zero_when_unset : bool
        Whether what was never set reads as 0 instead.
    system : function
        Value of a numbered system variable, or None where it is not one that can be known.
    """

    def __init__(
        self,
        given: Mapping[str, float],
        *,
        zero_when_unset: bool,
        system: Callable[[int], float | None],
    ) -> None:
        self._shared: dict[Key, float] = {_key(name): float(value) for name, value in given.items()}
        self._local: list[dict[Key, float]] = [{}]
        self._waiting: list[tuple[Key, float]] = []
        self._zero = zero_when_unset
        self._system = system
        self.unset: Key | None = None
        self.n_changes = 0
        self.n_live_reads = 0

    def read(self, key: Key) -> float:
        """The value, NaN where there is none; `unset` then names the variable."""
        if key == 0:
            return NOTHING
        value = self._find(key)
        if value is None:
            self.unset = key
            return 0.0 if self._zero else NOTHING
        return value

    def is_set(self, key: Key) -> bool:
        """Whether `read` would find a value."""
        return self._find(key) is not None

    def assign(self, key: Key, value: float) -> None:
        """Set at the end of the line: all reads of a line see the values before it."""
        self._waiting.append((key, value))

    def settle(self) -> list[tuple[Key, float]]:
        """Carry out the line's assignments and give them."""
        done, self._waiting = self._waiting, []
        for key, value in done:
            self._place(key)[key] = value
        self.n_changes += len(done)
        return done

    def enter(self, arguments: list[float] | None) -> None:
        """Begin a subprogram; with arguments (``o100 call [1] [2]``) it has its own #1 to #30."""
        frame: dict[Key, float] = dict(self._local[-1])
        if arguments is not None:
            frame = {i: arguments[i - 1] if i <= len(arguments) else 0.0 for i in range(1, 31)}
        self._local.append(frame)
        self.n_changes += 1

    def leave(self, *, keep: bool) -> None:
        """End a subprogram; `keep` hands its locals back, as after M98."""
        frame = self._local.pop()
        if keep:
            self._local[-1] = frame

    def _find(self, key: Key) -> float | None:
        if isinstance(key, int) and key >= 1000:
            known = self._system(key)
            if known is not None:
                self.n_live_reads += 1
                return known
        return self._place(key).get(key)

    def _place(self, key: Key) -> dict[Key, float]:
        own = key < 100 if isinstance(key, int) else not key.startswith("_")
        return self._local[-1] if own else self._shared


def _key(name: str) -> Key:
    text = name.strip().lstrip("#")
    return int(text) if text.isdigit() else text.strip("<>").lower()
