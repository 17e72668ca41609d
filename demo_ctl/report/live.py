"""One line for each thing that happens while a call runs. Pure."""

from __future__ import annotations

from rich.text import Text

#: kind -> how a line reads; {label}, {detail}, {port} come from the item. None: not worth a line of its own.
_READS: dict[str, str] = {
    "began": "{label} ...",
    "ended": "{label}",
    "sensed": "port {port}: {label}",
    "gate": "holding: {label}",
    "tone": "{label}: heard",
    "ringing": "ringing guard: {label}",
    "lost": "{label}: {detail}",
    "plan": "plan {label}",
    "record": "{label}: {detail}",
    "stop": "{label}",
}
_ENDINGS = {
    "met": "{label}: it came",
    "limit": "{label}: its time ran out",
    "stopped": "{label}: stopped",
    "opened": "{label}: go on",
}
_ALARM = ("lost", "record", "stop")


def live_line(kind: str, at_us: int, label: str, detail: str = "", port: int = 0) -> Text | None:
    """Give the line for one item, or None where there is nothing to tell. at_us: since the timeline started."""
    reads = _READS.get(kind)
    if reads is None or not label:
        return None
    if kind == "ended":
        reads = _ENDINGS.get(detail, reads)
    text = reads.format(label=label, detail=detail, port=port)
    if kind in ("gate", "ringing", "plan") and detail:
        text += f" ({detail})"
    if kind == "sensed":
        style = "cyan"
    elif kind in _ALARM or detail in ("limit", "stopped"):
        style = "yellow"
    else:
        style = ""
    return Text(f"{at_us / 1e6:9.3f} s  ") + Text(text, style=style)
