"""The book: facts, what people said, and where each saw's derivation stands."""
