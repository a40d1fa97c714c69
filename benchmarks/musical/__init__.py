"""What `benchmarks.musicality` measures, a module for each side of the band."""
