"""The app's entry: names the screens and runs the one that was chosen."""

from __future__ import annotations

from pathlib import Path

import streamlit as st

from app import fields
from app.visitor import component

screen = st.navigation(
    {
        "": [
            st.Page("screens/measure.py", title="Measure", default=True),
            st.Page("screens/compare.py", title="Compare"),
            st.Page("screens/plan.py", title="Plan the next grind"),
            st.Page("screens/print.py", title="Print the strip"),
            st.Page("screens/howto.py", title="A good photo"),
        ],
        "Reference log": [
            st.Page("screens/log.py", title="Look up", url_path="log"),
            st.Page("screens/log_model.py", title="One model"),
            st.Page("screens/log_add.py", title="Add to the log"),
            st.Page("screens/log_share.py", title="Import and publish"),
            st.Page("screens/log_record.py", title="History and correction"),
        ],
    }
)
# A picture of our own: Streamlit fetches named icons and emojis for the browser's tab from another host. The title tells tabs, and the
# browser's list of pages gone back to, apart.
st.set_page_config(page_title=f"{screen.title} · Shoulderline", page_icon=str(Path(__file__).with_name("icon.png")), layout="wide")
component.commas()
screen.run()
fields.settle()
