"""Decision: loss, gates, benefit, treated area, and the map against treating all or nothing."""
