"""Floor 2: an imaginary shop that speaks the wire format and writes the truth beside it. Imports collector.wire only."""
