"""A simulated room that publishes like real sensors, and a simulated grower. Nothing real is read here."""
