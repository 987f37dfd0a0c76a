"""Floor 2: facts become answers, over HTTP. May import collector only."""
