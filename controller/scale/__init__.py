"""The scale's process: reads one converter, stamps and numbers its readings, sends them to the guard alone.

Standard library only, apart from the driver of the I2C bus: the process stays small and depends on nothing that an
upgrade of another package could change. It decides nothing: zero, span and doubts are the guard's.
"""
