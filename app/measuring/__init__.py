"""The parts of the screen that measures, one file each."""
