"""The demo: the imaginary shop's folder and shifts, eight weeks of its past, and its boxes in the present."""
