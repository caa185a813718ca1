"""The guard's log. No library writes it: what the guard does not need stays out of its memory."""

from controller.log_lines import Log

LOG = Log("guard")
