"""Who is at the other end of a Unix socket, and whether they may speak to the guard."""

import os
import socket
import struct
from dataclasses import dataclass

SO_PEERGROUPS = 59  # Linux >= 4.13, include/uapi/asm-generic/socket.h; Python has no name for it
MOST_GROUPS = 256


@dataclass(frozen=True, kw_only=True)
class Peer:
    """Credentials of a connected process, as the kernel vouches for them."""

    pid: int
    uid: int
    groups: frozenset[int]

    def may_be_engine(self, user: int | None) -> bool:
        """Whether it is root, runs as our own user, or is the engine's user."""
        return self.uid in (0, os.geteuid(), user)

    def may_speak(self, group: int | None) -> bool:
        """Whether it is root, runs as our own user, or is in the group that may."""
        return self.uid in (0, os.geteuid()) or (group is not None and group in self.groups)


def peer_of(connection: socket.socket) -> Peer:
    """The process that connected; OSError when the kernel cannot tell."""
    pid, uid, gid = struct.unpack("3i", connection.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, 12))
    raw = connection.getsockopt(socket.SOL_SOCKET, SO_PEERGROUPS, 4 * MOST_GROUPS)
    groups = struct.unpack(f"{len(raw) // 4}I", raw)
    return Peer(pid=pid, uid=uid, groups=frozenset((gid, *groups)))
