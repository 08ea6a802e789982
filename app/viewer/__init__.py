"""The photo under zoom and pan with both lines, and the profile below it on one position axis: a small Streamlit component."""
