"""From a trace to facts: a streaming detector without clock and without I/O."""
