"""The reference log: what knives really measure, how each figure was had, and what may be compared with what."""
