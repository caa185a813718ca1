"""Runs on the board, standard library and gpiod only, against the engine's socket.

on_board.py calibrate LINE...      give lines a calibration from weighings made elsewhere
on_board.py idle SECONDS           what guard, sentinel and engine take while nothing happens
on_board.py pour RECIPE ...        pour, and in mid-pour do to a process what is asked for

The instant of the deed is marked by a rise of a spare GPIO, so that the trace of the pins holds both.
"""

import argparse
import http.client
import json
import os
import signal
import socket
import subprocess
import time
from pathlib import Path

import gpiod
from gpiod.line import Direction, Value

RUN = "/run/tundish"


class Engine(http.client.HTTPConnection):
    """A connection over the engine's Unix socket."""

    def connect(self):
        self.sock = socket.socket(socket.AF_UNIX)
        self.sock.settimeout(180)  # a fit takes long on an emulated board
        self.sock.connect(f"{RUN}/engine/engine.sock")


def ask(method, address, body=None):
    """(status, answer) of one request."""
    connection = Engine("tundish")
    headers = {"Content-Type": "application/json"} if body is not None else {}
    connection.request(method, f"/v1/{address}", None if body is None else json.dumps(body), headers)
    answer = connection.getresponse()
    return answer.status, json.loads(answer.read() or b"null")


def main_pid(service):
    shown = subprocess.run(["systemctl", "show", "-P", "MainPID", service], capture_output=True, text=True, check=True)
    return int(shown.stdout)


def pids():
    """The processes by name; the sentinel is the guard's child."""
    guard = main_pid("tundish-guard")
    children = Path(f"/proc/{guard}/task/{guard}/children").read_text().split() if guard else []
    named = [int(one) for one in children if b"sentinel" in Path(f"/proc/{one}/cmdline").read_bytes()]
    return {"guard": guard, "engine": main_pid("tundish-engine"), "sentinel": named[0] if named else 0}


def wait_until_on(operation, limit_s):
    """Wait until a line of the operation is on; its state as the engine tells it."""
    end = time.monotonic() + limit_s
    while time.monotonic() < end:
        _, view = ask("GET", f"operations/{operation}")
        if view["outcome"] is not None or any(line["is_on"] for line in view["lines"]):
            return view
        time.sleep(0.1)
    return view


def calibrate(lines):
    """Weighed runs of 5 g/s after a lag of 0.1 s, with an invented scatter of half a percent."""
    scatter = (1.003, 0.997, 1.005, 0.996, 1.002, 0.999, 0.998, 1.001)
    runs = [(on_s, 5.0 * (on_s - 0.1) * by) for on_s, by in zip((2, 2, 4, 4, 8, 8, 12, 12), scatter, strict=True)]
    for line in lines:
        trials = [{"on_s": on_s, "grams": round(grams, 2)} for on_s, grams in runs]
        for address, body in (
            (f"calibrations/{line}/trials", {"line": line, "trials": trials}),
            (f"calibrations/{line}", {"line": line, "by": "weighed elsewhere", "sure": True}),
        ):
            status, answer = ask("POST", address, body)
            if status >= 400:
                raise SystemExit(f"line {line}: {answer}")


def accounts():
    """Of each process: seconds of processor time, memory (MiB), bytes caused to be written."""
    found = {}
    for name, pid in pids().items():
        fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
        status = dict(line.split(":", 1) for line in Path(f"/proc/{pid}/status").read_text().splitlines())
        counts = dict(line.split(": ") for line in Path(f"/proc/{pid}/io").read_text().splitlines())
        found[name] = {
            "cpu_s": (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK"),
            "memory_mib": int(status["VmRSS"].split()[0]) / 1024,
            "written": int(counts["write_bytes"]),
        }
    return found


def idle(seconds):
    """The accounts at the end of the time, processor and writes as used within it; and lines logged meanwhile."""
    before, since = accounts(), time.time()
    time.sleep(seconds)
    found = accounts()
    for name, account in found.items():
        for key in ("cpu_s", "written"):
            account[key] -= before[name][key]
    logged = subprocess.run(
        ["journalctl", "-u", "tundish-guard", "-u", "tundish-engine", "-o", "cat", f"--since=@{since:.0f}"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    return {"processes": found, "logged": [line for line in logged.stdout.splitlines() if not line.startswith("-- ")]}


def hurt(pid, signal_name):
    """Send the signal; OOM: have the kernel kill the process as when memory has run out."""
    if signal_name == "OOM":
        Path(f"/proc/{pid}/oom_score_adj").write_text("1000")
        Path("/proc/sysrq-trigger").write_text("f")
    else:
        os.kill(pid, getattr(signal, f"SIG{signal_name}"))


def pour(words):
    """Pour, and do what the words say; a report of it."""
    mark = gpiod.request_lines("/dev/gpiochip0", {words.mark: gpiod.LineSettings(direction=Direction.OUTPUT)})
    victims = pids()
    status, view = ask("POST", "pours", {"recipe": words.recipe})
    if status == 202:
        view = wait_until_on(view["operation"], 20)
        time.sleep(words.after)
    is_pouring = status == 202 and view["outcome"] is None
    mark.set_value(words.mark, Value.ACTIVE)
    if is_pouring:
        for name in filter(None, words.hurt.split(",")):
            hurt(victims[name], words.signal)
        if words.command:
            subprocess.run(words.command, shell=True, check=False, stdout=subprocess.DEVNULL)
        time.sleep(words.watch)
    mark.set_value(words.mark, Value.INACTIVE)
    return {"status": status, "view": view, "is_pouring": is_pouring, "pids": victims}


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    ways = parser.add_subparsers(dest="way", required=True)
    way = ways.add_parser("calibrate")
    way.add_argument("lines", type=int, nargs="+")
    ways.add_parser("idle").add_argument("seconds", type=float)
    way = ways.add_parser("pour")
    way.add_argument("recipe")
    way.add_argument("--mark", type=int, required=True, help="spare GPIO")
    way.add_argument("--hurt", default="", help="guard, engine or sentinel, several with commas")
    way.add_argument("--signal", default="KILL", help="KILL, STOP, ...; OOM: killed for want of memory")
    way.add_argument("--command", default="", help="instead of a signal")
    way.add_argument("--after", type=float, default=1.0, help="s of pouring before the deed")
    way.add_argument("--watch", type=float, default=2.0, help="s to look on after it")
    words = parser.parse_args()
    if words.way == "calibrate":
        calibrate(words.lines)
    elif words.way == "idle":
        print(json.dumps(idle(words.seconds)))
    else:
        print(json.dumps(pour(words)))


main()
