"""The least-squares model of all photographs and its solution."""
