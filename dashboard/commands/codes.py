"""Exit codes, the same for every command."""

DONE = 0
"""All went well; also after Ctrl-C on a command that runs until it is stopped."""

FLAWED = 1
"""Finished, but something was refused on the way (stderr says what), or the work could not be done."""

MISUSED = 2
"""Wrong arguments or a wrong kerfbook.toml: nothing was done."""

SHOWN = 3
"""What would change was shown, and nothing was changed."""
