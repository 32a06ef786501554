"""From a decision to what the machine takes: label arithmetic, keep-outs, prescription layers."""
