"""Pages: one module a screen, with its template in ``templates/`` and its scripts in ``static/``."""
