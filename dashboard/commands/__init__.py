"""The commands of ``kerfbook``, one module each: ``add`` describes it, ``run`` does it and returns the exit code."""
