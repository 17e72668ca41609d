"""The story of a call while it runs: one line for each thing a person would point at, in telephone words.

Theory of operation. Items come in the order of their instants (`run.result.Progress`). Most are the machinery's own
and get no line: listening begins, a pause is over, an edge of our own. What is told is what people do (lifts, dials,
answers, hangs up), what the exchange gives (tones, ringing, battery turned round), and the moment in which one switch
passes the line to the next, seen as a short gap in the loop's current. For the gaps the story remembers since when each
port's current has been gone, and who has hung up. Nothing is judged here: that is what the table afterwards is for.
"""

from __future__ import annotations

from rich.text import Text

#: A gap in the current longer than this is no switch passing the line on (facts V05: 350 ms, from memory).
PASSING_US = 350_000

_PLAIN = ""
_SENSED = "cyan"
_WARNING = "yellow"
_LOST = {
    "edges lost": "{detail} changes on a line came too fast to be reported",
    "audio lost": "sound is missing here: the link is slow ({detail} blocks of 14 ms)",
    "overflow": "the board had more to report than the link could carry ({detail} reports lost)",
}


class LiveStory:
    """Give it each item; it gives a line or None. names: port -> what people call who is there ("caller")."""

    def __init__(self, names: dict[int, str]) -> None:
        self._names = names
        self._gone_us: dict[int, int] = {}
        self._hung_up: set[int] = set()

    def line(self, kind: str, at_us: int, label: str, detail: str = "", port: int = 0) -> Text | None:
        """Return the line for one item, or None where there is nothing to tell. at_us: since the call began."""
        told = self._tell(kind, at_us, label, detail, port)
        if told is None:
            return None
        text, style = told
        return Text(f"{at_us / 1e6:8.2f} s  ") + Text(text, style=style)

    def _tell(self, kind: str, at_us: int, label: str, detail: str, port: int) -> tuple[str, str] | None:
        if not label:
            return None
        if kind == "began":
            return (label, _PLAIN) if " dials " in label or " flashes" in label else None
        if kind == "ended":
            return self._ended(label, detail, port)
        if kind == "sensed":
            return self._sensed(label, at_us, port)
        if kind == "gate":
            return (f"waiting for {label} ({detail})" if detail != "go on" else "going on", _PLAIN)
        if kind == "tone":
            return f"{label}: heard", _SENSED
        if kind == "ringing":
            on = label == "ringing allowed"
            return ("ringing voltage may be on the line from here on" if on else "ringing voltage is off", _WARNING)
        if kind == "plan":
            words = {"running": "the call begins", "finished": "the call is over", "ended early": "the call ends early"}
            return (f"{words[label]}: {detail}" if detail else words[label], _PLAIN) if label in words else None
        if kind == "lost":
            return _LOST.get(label, "{label}: {detail}").format(label=label, detail=detail), _WARNING
        if kind in ("record", "stop"):
            return (f"{label}: {detail}" if detail else label), _WARNING
        return None

    def _ended(self, label: str, detail: str, port: int) -> tuple[str, str] | None:
        if detail == "limit":
            return f"{label}: waited long enough, it did not come", _WARNING
        if detail == "stopped":
            return f"{label}: broken off", _WARNING
        if label.endswith(" hangs up"):
            self._hung_up.add(port)
            return label, _PLAIN
        if label.endswith((" lifts", " answers")):
            self._hung_up.discard(port)
            return label, _PLAIN
        if label.startswith("talk"):
            return "the talk is over", _PLAIN
        return None

    def _sensed(self, label: str, at_us: int, port: int) -> tuple[str, str] | None:
        who = self._names.get(port, f"port {port}")
        if label == "loop off":
            self._gone_us[port] = at_us
        elif label == "loop on":
            gone_us = self._gone_us.pop(port, None)
            if gone_us is not None and port not in self._hung_up and 0 < at_us - gone_us <= PASSING_US:
                return f"a switch passes the line of the {who} on (a gap of {(at_us - gone_us) / 1000:.0f} ms)", _SENSED
        elif label == "normal on" and port in self._hung_up:
            self._hung_up.discard(port)
            return f"the line of the {who} is at rest again", _SENSED
        elif label == "reversed on":
            return f"battery turned round at the {who}: the exchange has seen the answer", _SENSED
        elif label == "reversed off" and port not in self._hung_up:
            return f"battery as before at the {who}", _SENSED
        elif label == "ringing on":
            return f"the bell rings at the {who} end", _SENSED
        elif label == "ringing off":
            return f"the bell is silent at the {who} end", _SENSED
        return None
