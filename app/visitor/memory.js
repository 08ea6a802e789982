// Facts of the last visit, in this browser alone.

const SL_FACTS = "shoulderline.facts";

export default function ({ data, setTriggerValue }) {
  try {
    if (data.forget) localStorage.removeItem(SL_FACTS);
    else if (data.keep) localStorage.setItem(SL_FACTS, data.keep);
    else if (data.ask) {
      const found = localStorage.getItem(SL_FACTS);
      if (found) setTriggerValue("found", found);
    }
  } catch {
    // A browser that keeps nothing (private windows): the facts are typed again.
  }
}
