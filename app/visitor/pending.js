// While a form's fields hold something else than what the page's figures rest on, a sentence says so. What is typed into a form reaches the
// server only when its button is pressed, so that only the browser knows.

const SL_LOOK_MS = 250;

function slHolds(key) {
  const fields = slInputs(key);
  if (!fields.length) return undefined;
  const text = fields[0].type === "radio" ? fields.find((f) => f.checked)?.value : fields[0].value;
  return text === undefined || text === "" ? null : Number(text);
}

function slLook(line) {
  const { fields, text, keeps } = line.slSaid;
  // A field that is not on the page cannot have been changed.
  const changed = Object.entries(fields).some(([key, value]) => ![undefined, value].includes(slHolds(key)));
  // What stands above the fields keeps its room: they must not move away under a finger. A text that comes is read out, one that shows up is not.
  const shown = changed || keeps ? text : "";
  if (line.textContent !== shown) line.textContent = shown;
  line.style.visibility = changed ? "visible" : "hidden";
  line.style.display = shown ? "block" : "none";
}

export default function ({ data, parentElement }) {
  const line = parentElement.querySelector(".sl-pending");
  const known = line.slSaid !== undefined;
  line.slSaid = data;
  slLook(line);
  if (known) return;
  const timer = setInterval(() => (line.isConnected ? slLook(line) : clearInterval(timer)), SL_LOOK_MS);
}
