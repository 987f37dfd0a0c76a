"""Who may do what: rights and roles, secrets, signing in; all enforced in `api.http.gate`."""
