"""Tongues: what people read, in their language, with their clock, week and measures.

English stands in the code; ``api/locale`` holds the translations of the API and of everything above it. `speaking`
says for whom; `say` has the texts; `amounts` has times, numbers and lengths.
"""
