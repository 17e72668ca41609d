"""From `Hub.publish` to the picture in a real browser, with one screen and with fifty: median and 99th percentile.

    python tests/bench/bench_screen.py [--changes 400] [--screens 1 50]

One screen is Chromium; the others are connections, held by another process, that read all they are sent, as browsers
do. The picture is there when the frame in which the page has changed has been handed to the compositor: the first turn
of the event loop after the animation frame that followed the change. Publisher, server and browser share this computer
and its clock. Changes come 25 ms apart, as they do in a call at normal speed.

On a computer with other work to do the 99th percentile tells of that work. The last column does not: it is the
processor's time that publisher and server took for one change, whoever else was waiting for it.
"""

from __future__ import annotations

import argparse
import multiprocessing
import selectors
import shutil
import socket
import statistics
import sys
import time
from dataclasses import replace

from playwright.sync_api import sync_playwright

from demo_ctl.show.hub import Hub, audience
from demo_ctl.show.model import Happening, Party, Scene, Switch
from demo_ctl.show.scene import as_json
from demo_ctl.show.server import serve

WATCH = """() => {
  window.seen = {};
  new MutationObserver(() => {
    const version = document.documentElement.dataset.version;
    requestAnimationFrame(() => setTimeout(() => {
      if (!(version in window.seen)) window.seen[version] = performance.timeOrigin + performance.now();
    }, 0));
  }).observe(document.documentElement, { attributes: true, attributeFilter: ["data-version"] });
}"""
CAPTION = {"en": "Each pulse lifts the shaft.", "de": "Jeder Impuls hebt die Welle.", "fr": "Chaque impulsion monte."}


def scenes(count: int) -> list[Scene]:
    """Return scenes as of a call under way through seven switches: pulses, shafts and relays change."""
    train = [Switch("line finder", 0, "finder", "line finder", 2, 3)]
    train += [Switch(f"selector {each}", each, "selector", f"selector {each}") for each in range(1, 6)]
    train.append(Switch("connector", 6, "connector", "connector"))
    first = Scene(
        0,
        0,
        4,
        "A call",
        "KLondike 5-0134",
        "5550134",
        Party("counter", 1, True, True, digit=1, battery=1),
        Party("parlour", 2, battery=1),
        tuple(train),
    )
    made = []
    for number in range(1, count + 1):
        at = 1 + number // 40 % 5
        moved = replace(train[at], vertical=number // 4 % 10 + 1, relays=("A", "B", "C")[: number % 4])
        last = Happening(number, number * 25_000, moved.part, "vertical", moved.vertical, "inferred")
        switches = (*train[:at], moved, *train[at + 1 :])
        caller = replace(first.caller, digit=at, pulses=number // 4 % 10 + 1, open_contact=number % 4 < 2)
        made.append(replace(first, number=number, at_us=last.at_us, caller=caller, switches=switches, last=last))
    return made


def read(port: int, count: int) -> None:
    """Hold `count` streams, read each as fast as it comes and throw it away, until this process is ended."""
    choose = selectors.DefaultSelector()
    for _ in range(count):
        connection = socket.create_connection(("127.0.0.1", port))
        connection.sendall(f"GET /events HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n\r\n".encode())
        choose.register(connection, selectors.EVENT_READ)
    while True:
        for ready, _ in choose.select():
            assert isinstance(ready.fileobj, socket.socket)
            if not ready.fileobj.recv(65536):
                choose.unregister(ready.fileobj)


def run(screens: int, changes: int, path: str) -> tuple[list[float], list[float], int, float]:
    """Return delays until the picture in ms, times that `publish` took in ms, how many changes were shown, and how many
    ms of the processor each took here.
    """
    hub = Hub()
    hub.publish(audience(as_json(scenes(1)[0]), CAPTION))
    with serve(hub, port=0) as serving, sync_playwright() as playwright:
        others = multiprocessing.get_context("spawn").Process(
            target=read, args=(serving.port, screens - 1), daemon=True
        )
        others.start()
        browser = playwright.chromium.launch(executable_path=path, args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": 1920, "height": 1080})
        page.goto(serving.url)
        page.wait_for_function("document.documentElement.dataset.version")
        while serving.app.streams[0].count < screens:
            time.sleep(0.05)
        page.evaluate(WATCH)
        sent: dict[int, float] = {}
        took = []
        due, worked_s = time.monotonic(), time.process_time()
        for scene in scenes(changes):
            view = audience(as_json(scene), CAPTION)
            begun, counted = time.time(), time.perf_counter()
            sent[hub.publish(view)] = begun * 1000
            took.append((time.perf_counter() - counted) * 1000)
            due += 0.025
            time.sleep(max(0.0, due - time.monotonic()))
        page.wait_for_function("version => document.documentElement.dataset.version === version", arg=str(max(sent)))
        page.wait_for_timeout(300)
        worked_ms = (time.process_time() - worked_s) * 1000 / changes
        seen = {int(version): at for version, at in page.evaluate("window.seen").items() if int(version) in sent}
        browser.close()
        others.terminate()
        others.join()
    # A change that was overtaken before it was drawn is in the picture when the one after it is.
    delays, later = [], None
    for version in sorted(sent, reverse=True):
        later = seen.get(version, later)
        assert later is not None
        delays.append(later - sent[version])
    return delays, took, len(seen), worked_ms


def main() -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--changes", type=int, default=400)
    parser.add_argument("--screens", type=int, nargs="+", default=[1, 50])
    asked = parser.parse_args()
    path = shutil.which("chromium") or shutil.which("google-chrome")
    if path is None:
        print("no Chromium on this computer: install it first (on Debian: apt-get install chromium)", file=sys.stderr)
        return 2
    print(
        f"{'screens':>8} {'changes':>8} {'drawn':>6} {'median ms':>10} {'99 % ms':>8} {'worst ms':>9} "
        f"{'publish 99 % ms':>16} {'work ms':>8}"
    )
    for screens in asked.screens:
        delays, took, drawn, worked_ms = run(screens, asked.changes, path)
        cut = statistics.quantiles(delays, n=100)[98]
        print(
            f"{screens:>8} {len(delays):>8} {drawn:>6} {statistics.median(delays):>10.1f} {cut:>8.1f} "
            f"{max(delays):>9.1f} {statistics.quantiles(took, n=100)[98]:>16.2f} {worked_ms:>8.2f}"
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
