"""What is played: recipes, sweeps, markers, their layout in a file, the sidecar."""
