"""After the pass: as applied against planned, check strips, second visit, yield: did it pay."""
