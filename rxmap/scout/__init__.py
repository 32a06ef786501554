"""Where to walk: the first visit to a field, and the further stops that would change the decision most."""
