"""Who may speak to the guard, by the kernel's word for who is there."""

import os
import socket

from controller.guard.peers import Peer, peer_of


def test_root_the_own_user_and_the_group_may_speak():
    me = os.geteuid()
    assert Peer(pid=1, uid=0, groups=frozenset()).may_speak(None)
    assert Peer(pid=1, uid=me, groups=frozenset()).may_speak(None)
    assert not Peer(pid=1, uid=me + 4711, groups=frozenset({7})).may_speak(None)
    assert not Peer(pid=1, uid=me + 4711, groups=frozenset({7})).may_speak(8)
    assert Peer(pid=1, uid=me + 4711, groups=frozenset({7, 8})).may_speak(8)


def test_root_the_own_user_and_the_engine_s_may_be_the_engine():
    me = os.geteuid()
    for uid, may in ((0, True), (me, True), (me + 1, True), (me + 2, False)):
        assert Peer(pid=1, uid=uid, groups=frozenset({7})).may_be_engine(me + 1) == may
    assert not Peer(pid=1, uid=me + 1, groups=frozenset({7})).may_be_engine(None)


def test_the_kernel_vouches_for_a_peer():
    here, there = socket.socketpair(socket.AF_UNIX)
    with here, there:
        peer = peer_of(here)
    assert (peer.pid, peer.uid) == (os.getpid(), os.geteuid())
    assert os.getegid() in peer.groups
