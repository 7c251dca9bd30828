"""From samples to pulls: first peak, peak, rate of loading, what went wrong. Pure.

Reading a whole trace and reading a stream are one definition.
"""
