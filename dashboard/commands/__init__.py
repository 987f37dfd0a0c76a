"""The commands of ``kerfbook``, one module each.

``add`` describes a command's arguments, ``run`` does it and returns the exit code.
"""
