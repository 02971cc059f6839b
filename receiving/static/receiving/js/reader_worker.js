/* Reads barcodes out of pictures, away from the page: in here WebAssembly needs no word in the page's policy, because a
   worker goes by the policy of its own file. Told {wasm: address} first, then pictures; answers {reads: [text]} to each. */
import { prepareZXingModule, readBarcodes } from "../../vendor/zxing_wasm/reader/index.js";
import { checkDigit } from "./label.js";

const OPTIONS = { formats: ["Code128", "ITF14", "EANUPC", "QRCode"], tryHarder: true, tryInvert: false, maxNumberOfSymbols: 4, textMode: "Plain" };
let canvas = null;
let ready = null;

function pixels(picture) {
  if (!(picture instanceof ImageBitmap)) return picture;
  const { width, height } = picture;
  if (canvas?.width !== width || canvas?.height !== height) canvas = new OffscreenCanvas(width, height);
  const surface = canvas.getContext("2d", { willReadFrequently: true });
  surface.drawImage(picture, 0, 0);
  picture.close();
  return surface.getImageData(0, 0, width, height);
}

/* Any part of an ITF symbol is one too, and a tilted look reads parts: only the 14 digits with their check digit count. */
function whole({ format, isValid, text }) {
  if (!isValid || !text) return false;
  return !format.startsWith("ITF") || (/^[0-9]{14}$/.test(text) && checkDigit(text.slice(0, 13)) === text[13]);
}

/* As a hand scanner sends it: with the symbology identifier where the symbol is GS1's, so that FNC1 is not lost. */
function asScanned({ text, contentType, symbologyIdentifier }) {
  return contentType === "GS1" ? `${symbologyIdentifier}${text}` : text;
}

addEventListener("message", async ({ data }) => {
  try {
    if (data.wasm) {
      ready = prepareZXingModule({ overrides: { locateFile: () => data.wasm }, fireImmediately: true });
      await ready;
      postMessage({ ready: true });
      return;
    }
    await ready;
    const found = await readBarcodes(pixels(data.picture), OPTIONS);
    postMessage({ reads: [...new Set(found.filter(whole).map(asScanned))] });
  } catch (error) {
    postMessage({ failed: String(error) });
  }
});
