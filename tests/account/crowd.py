"""Other people on the network: datagrams at an even pace from this place to an address, until killed.

Arguments: address, payload bits per second, payload bytes of one datagram.
"""

from __future__ import annotations

import socket
import sys
import time


def main() -> None:
    address, bit_s, size = sys.argv[1], float(sys.argv[2]), int(sys.argv[3])
    sock = socket.socket(socket.AF_INET6 if ":" in address else socket.AF_INET, socket.SOCK_DGRAM)
    due, every = time.monotonic(), 8 * size / bit_s
    while True:
        sock.sendto(bytes(size), (address, 33333))
        due += every
        time.sleep(max(0.0, due - time.monotonic()))


if __name__ == "__main__":
    main()
