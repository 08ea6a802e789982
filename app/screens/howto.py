"""Screen: what a good photo is, in six pictures, and how to handle the blade meanwhile."""

from __future__ import annotations

import streamlit as st

from app.lessons import CAUTIONS, LESSONS


def main() -> None:
    """Draw the screen from the top."""
    st.title("A good photo in six pictures", anchor=False)
    st.write("Rendered pictures of a blade that does not exist. The first is as it should be; each of the others has one fault.")
    st.warning("\n".join(f"- {line}" for line in CAUTIONS))
    # Two in a row, and one below the other on a narrow screen.
    for row in range(0, len(LESSONS), 2):
        for place, lesson in zip(st.columns(2), LESSONS[row : row + 2], strict=False):
            with place:
                st.subheader(f"{LESSONS.index(lesson) + 1}. {lesson.title}", anchor=False)
                st.image(str(lesson.picture), alt=lesson.alt, width="stretch")
                st.write(f"**What is seen:** {lesson.seen}")
                st.write(f"**What to do:** {lesson.do}")


main()
