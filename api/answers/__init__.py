"""Pure computation of answers: arrays and dataclasses in, dataclasses out, no clock and no I/O."""
