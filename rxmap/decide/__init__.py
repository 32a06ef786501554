"""From pressure to a decision: loss, gates, benefit, treated area, map against all and none."""
