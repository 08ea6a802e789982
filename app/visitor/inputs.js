// The name that a page gives the field with this key, and the field's inputs: none where it is not on the page.

const slName = (key) => `st-key-${key.replace(/[^a-zA-Z0-9_-]/g, "-")}`;
const slInputs = (key) => [...document.querySelectorAll(`.${slName(key)} input`)];

