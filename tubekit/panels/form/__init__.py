"""An amp described by filling in a form: the draft, its parts, ready stages, the fields of each kind."""
