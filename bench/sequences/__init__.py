"""Steps as data, one performer per step, the runner."""
