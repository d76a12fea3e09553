"""Papers of jobs: one HTML file each, figures inside, for A4 and Letter."""
