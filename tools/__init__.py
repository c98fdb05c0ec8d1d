"""Set-up, generators and benchmarks; run from the project root."""
