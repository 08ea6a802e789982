"""The app's entry: names the screens and runs the one that was chosen."""

from __future__ import annotations

import streamlit as st

st.set_page_config(page_title="Shoulderline", page_icon=":material/straighten:", layout="wide")
st.navigation([st.Page("screens/measure.py", title="Measure", icon=":material/straighten:", default=True)]).run()
