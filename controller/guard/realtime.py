"""Asks the kernel for what keeps edges on time: priority, memory that stays, timers that are not rounded."""

import ctypes
import os
from contextlib import suppress

from controller.guard.log import LOG

PRIORITY = 20  # of 1 to 99: above everything ordinary, below the kernel's own threads (50)
# include/uapi/asm-generic/mman.h and include/uapi/linux/prctl.h
MCL_CURRENT, MCL_FUTURE, MCL_ONFAULT = 1, 2, 4
PR_SET_TIMERSLACK = 29
TIMER_SLACK_NS = 1000


def ask_for_real_time() -> None:
    """Ask for all of it; what is not allowed is logged, not fatal."""
    refused = []
    if os.sched_getscheduler(0) == os.SCHED_OTHER:
        try:
            os.sched_setscheduler(0, os.SCHED_RR | os.SCHED_RESET_ON_FORK, os.sched_param(PRIORITY))
        except OSError:
            refused.append("real-time priority")
    with suppress(OSError, AttributeError):
        libc = ctypes.CDLL(None, use_errno=True)
        # Only pages that have been touched are locked: the whole of what is mapped would be several times as much.
        if libc.mlockall(MCL_CURRENT | MCL_FUTURE | MCL_ONFAULT) != 0:
            refused.append("locked memory")
        libc.prctl(PR_SET_TIMERSLACK, TIMER_SLACK_NS, 0, 0, 0)
    if refused:
        LOG.warning("not_allowed", refused=refused, effect="edges may come late when busy")
