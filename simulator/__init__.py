"""Floor 2: an imaginary shop that speaks the wire format and writes the truth beside it.

Of the collector it imports the wire format and the shapes of traces and facts, and nothing else.
"""
