"""What is inferred from readings: pure, deterministic, no clock but the sample's."""
