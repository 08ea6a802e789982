// A comma typed or pasted into a field for a figure is a decimal point. Left alone, a browser drops it and makes 4 of 0,4.
// Only figures: single-line number fields, and the cell of a table that holds a number.

function slFigure(target) {
  return target instanceof HTMLInputElement && (target.type === "number" || (target.closest("#portal") !== null && /^(numeric|decimal)$/.test(target.inputMode)));
}

function slPoint(event) {
  const text = event.data ?? event.dataTransfer?.getData("text/plain");
  if (!text || !slFigure(event.target) || !/^\s*[-+]?\d*,\d*\s*$/.test(text)) return;
  event.preventDefault();
  // So that it counts as typed: React hears of it, and it can be undone.
  document.execCommand("insertText", false, text.trim().replace(",", "."));
}

export default function () {
  if (document.documentElement.dataset.slCommas) return;
  document.documentElement.dataset.slCommas = "yes";
  document.addEventListener("beforeinput", slPoint, true);
}
