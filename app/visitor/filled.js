// A field that the server filled and the browser does not show is told back, once it is sure: nobody has touched it, and no run is under way.

const SL_LOOKS_MS = 250;
// What cannot be mended must not run the page for ever.
const SL_MOST = 3;

// What was touched since it last showed what it was filled with. By key: a field that is drawn anew keeps what was typed into it.
const slTouched = (window.slTouched ??= new Set());

function slShows(key) {
  const inputs = slInputs(key);
  // A list shows its choice outside its input.
  if (!inputs.length || inputs[0].role === "combobox") return undefined;
  if (inputs[0].type === "radio") return inputs.find((i) => i.checked)?.closest("label").innerText.trim();
  return inputs[0].type === "checkbox" ? inputs[0].checked : inputs[0].value;
}

function slAgrees(shown, given) {
  if (given === null || typeof given === "string") return shown === (given ?? "");
  // A field shows six digits.
  return typeof given === "number" ? shown !== "" && Math.abs(Number(shown) - given) <= 1e-5 * Math.abs(given) : shown === given;
}

function slMissed(filled) {
  return Object.entries(filled).flatMap(([key, given]) => {
    const [name, shown] = [slName(key), slShows(key)];
    if (shown === undefined) return [];
    if (slAgrees(shown, given)) slTouched.delete(name);
    return slAgrees(shown, given) || slTouched.has(name) ? [] : [key];
  });
}

function slTouch(event) {
  const field = event.target.closest?.(`[class*='${slName("")}']`);
  // Who only passes through a field by Tab has not changed it.
  if (field && event.key !== "Tab") for (const name of field.classList) if (name.startsWith(slName(""))) slTouched.add(name);
}

const SL_TOUCHES = ["input", "change", "click", "keydown"];

export default function ({ data, parentElement, setTriggerValue }) {
  const here = parentElement.querySelector("span");
  const known = here.slTold !== undefined;
  here.slTold = { filled: data.filled, tell: setTriggerValue };
  if (known) return;
  for (const kind of SL_TOUCHES) document.addEventListener(kind, slTouch, true);
  let before = "";
  let told = 0;
  const look = () => {
    const idle = document.querySelector("[data-testid=stApp]")?.dataset.testScriptState === "notRunning";
    const missed = idle ? slMissed(here.slTold.filled) : [];
    const sure = missed.length > 0 && missed.join() === before;
    before = sure ? "" : missed.join();
    if (!missed.length && idle) told = 0;
    if (sure && told++ < SL_MOST) here.slTold.tell("missed", missed);
  };
  const timer = setInterval(() => {
    if (here.isConnected) return look();
    clearInterval(timer);
    for (const kind of SL_TOUCHES) document.removeEventListener(kind, slTouch, true);
  }, SL_LOOKS_MS);
}
