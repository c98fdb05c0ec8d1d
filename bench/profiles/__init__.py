"""What is connected and what should be there: profiles, connectors, limits, scenarios."""
