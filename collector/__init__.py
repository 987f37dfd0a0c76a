"""Floor 1: messages become a trace and facts. Imports nothing of the other rooms."""
