"""Floor 3: answers become screens; also the front door, the ``kerfbook`` command."""
