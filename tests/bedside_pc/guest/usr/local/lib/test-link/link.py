"""The guest's end of the link: requests come as lines of JSON over a virtio port, answers go back.

    {"id": 1, "run": "a shell command", "input": "...", "limit": 30}
        ->  {"id": 1, "status": 0, "out": "..."}
    {"id": 2, "start": "a shell command"}
        ->  {"id": 2, "process": 512}, then what it says, {"process": 512, "line": "..."}, and at last
            {"process": 512, "status": 0}
    {"id": 3, "ask": {"do": "status"}, "limit": 30}
        ->  {"id": 3, "answer": "...", "problem": "..."}: what the router says, asked until it answers or so many
            seconds are over
    {"id": 4, "read": ["/proc/1/comm", "/proc/1/fd"]}
        ->  {"id": 4, "texts": ["...", "..."]}: files, and the names in folders, a line each; null for what is not there
    {"id": 5, "there": ["/dev/input/event0"], "limit": 30}
        ->  {"id": 5, "missing": []}: waits until all are there, or so many seconds are over

What is asked again and again is asked here, in this process: a shell and systemctl take an emulated processor half a
second.

At its start it says {"up": SECONDS SINCE THE KERNEL'S START}. Standard library only, and few of it: an emulated
processor is slow.
"""

# ruff: noqa: PTH110, PTH112, PTH123, PTH208 - pathlib takes an emulated processor long to load

import json
import os
import socket
import subprocess
import threading
import time

PORT = "/dev/virtio-ports/test.link"

while not os.path.exists(PORT):
    time.sleep(0.02)
port = os.open(PORT, os.O_RDWR)
one_at_a_time = threading.Lock()


def say(message):
    data = (json.dumps(message) + "\n").encode()
    with one_at_a_time:
        while data:
            data = data[os.write(port, data) :]


def run(request):
    shell = subprocess.Popen(
        ["/bin/bash", "-c", request["run"]],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        start_new_session=True,
    )
    try:
        out, _ = shell.communicate(request.get("input", "").encode(), request.get("limit", 30))
    except subprocess.TimeoutExpired:
        os.killpg(shell.pid, 9)
        out, _ = shell.communicate()
        out += b"\n(it did not end in time)"
    say({"id": request["id"], "status": shell.returncode, "out": out.decode(errors="replace")})


def start(request):
    shell = subprocess.Popen(
        ["/bin/bash", "-c", "exec " + request["start"]],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        start_new_session=True,
    )
    say({"id": request["id"], "process": shell.pid})
    for line in shell.stdout:
        say({"process": shell.pid, "line": line.decode(errors="replace").rstrip("\n")})
    say({"process": shell.pid, "status": shell.wait()})


def ask(request):
    answer, problem = asked(request)
    end = time.monotonic() + request["limit"]
    while not answer and time.monotonic() < end:
        time.sleep(0.1)
        answer, problem = asked(request)
    say({"id": request["id"], "answer": answer, "problem": problem})


def asked(request):
    answer = problem = ""
    try:
        with socket.socket(socket.AF_UNIX) as control:
            control.settimeout(60)
            control.connect("/run/router/control")
            control.sendall(json.dumps(request["ask"]).encode() + b"\n")
            answer = control.makefile().readline()
    except OSError as error:
        problem = str(error)
    return answer, problem


def text(path):
    try:
        if os.path.isdir(path):
            return "".join(name + "\n" for name in os.listdir(path))
        with open(path, errors="replace") as file:
            return file.read(65536)
    except OSError:
        return None


def read(request):
    say({"id": request["id"], "texts": [text(path) for path in request["read"]]})


def there(request):
    end = time.monotonic() + request["limit"]
    while (missing := [path for path in request["there"] if not os.path.exists(path)]) and time.monotonic() < end:
        time.sleep(0.05)
    say({"id": request["id"], "missing": missing})


DO = {"run": run, "start": start, "ask": ask, "read": read, "there": there}


with open("/proc/uptime") as uptime:
    say({"up": float(uptime.read().split()[0])})

waiting = b""
while True:
    try:
        came = os.read(port, 65536)
    except OSError:
        came = b""
    if not came:  # nobody at the other end yet
        time.sleep(0.05)
        continue
    *lines, waiting = (waiting + came).split(b"\n")
    for line in lines:
        request = json.loads(line)
        (do,) = (DO[word] for word in DO if word in request)
        threading.Thread(target=do, args=[request], daemon=True).start()
