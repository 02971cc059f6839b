// Turns [data-signature] into a pad; the strokes travel as JSON in its hidden input.
import SignaturePad from "../../vendor/signature_pad/signature_pad.min.js";

for (const box of document.querySelectorAll("[data-signature]")) {
  const canvas = box.querySelector("canvas");
  const input = box.querySelector("input[name=signature]");
  const pad = new SignaturePad(canvas, { minWidth: 1.2, maxWidth: 3, penColor: "#111" });
  const keep = () => { input.value = pad.isEmpty() ? "" : JSON.stringify(pad.toData()); };
  const fit = () => {
    const strokes = pad.toData();
    const ratio = Math.max(devicePixelRatio || 1, 1);
    canvas.width = canvas.offsetWidth * ratio;
    canvas.height = canvas.offsetHeight * ratio;
    canvas.getContext("2d").scale(ratio, ratio);
    pad.clear();
    if (strokes.length) pad.fromData(strokes);
  };
  pad.addEventListener("endStroke", keep);
  box.querySelector("[data-clear]")?.addEventListener("click", () => { pad.clear(); keep(); });
  addEventListener("resize", fit);
  fit();
  // Nobody draws where the driver did not sign, or where the typed name is the signature.
  const form = box.closest("form");
  const typed = form?.querySelector("input[name=typed]");
  const outcome = () => form?.querySelector("input[name=outcome]:checked")?.value ?? "signed";
  const place = box.closest("#id_signature_box") ?? box;
  const show = () => {
    const shown = outcome() === "signed" && !typed?.checked;
    if (shown === !place.hidden) return;
    place.hidden = !shown;
    if (shown) fit();
  };
  form?.addEventListener("change", show);
  if (input.value) { try { pad.fromData(JSON.parse(input.value)); } catch { input.value = ""; } }
  show();
}
