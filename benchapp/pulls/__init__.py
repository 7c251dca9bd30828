"""From samples to pulls: first peak, peak, rate of loading, what went wrong. Pure.

Reading a whole trace and reading a stream are one definition.
"""

from benchapp.pulls.pull import Flag, Mode, Pull
from benchapp.pulls.reader import Report, read_pulls
from benchapp.pulls.settings import DETECTOR, Settings
from benchapp.pulls.stream import PullReader

__all__ = ["DETECTOR", "Flag", "Mode", "Pull", "PullReader", "Report", "Settings", "read_pulls"]
