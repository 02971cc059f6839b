/* Reads barcodes out of pictures, away from the page: in here WebAssembly needs no word in the page's policy, because a
   worker goes by the policy of its own file. Told {wasm: address} first, then pictures; answers {reads: [text]} to each. */
import { prepareZXingModule, readBarcodes } from "../../vendor/zxing_wasm/reader/index.js";

const OPTIONS = { formats: ["Code128", "ITF", "EANUPC", "QRCode"], tryHarder: true, tryInvert: false, maxNumberOfSymbols: 4, textMode: "Plain" };
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
    postMessage({ reads: found.filter(({ isValid, text }) => isValid && text).map(asScanned) });
  } catch (error) {
    postMessage({ failed: String(error) });
  }
});
