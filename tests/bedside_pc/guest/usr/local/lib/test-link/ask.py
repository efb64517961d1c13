"""Asks the router's control socket what stands in the first argument, and prints the answer."""

import socket
import sys

control = socket.socket(socket.AF_UNIX)
control.settimeout(30)
control.connect("/run/router/control")
control.sendall(sys.argv[1].encode() + b"\n")
print(control.makefile().readline())
