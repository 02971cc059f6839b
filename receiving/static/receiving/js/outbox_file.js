/* The outbox as a file: a ZIP with `outbox.json` and the photos under files/<SHA-256>, one for each site. What the format
   holds stands in receiving/outbox_file.py, which reads it at a desk. */
import { makeZip } from "../../vendor/client_zip/index.js";
import * as outbox from "./outbox.js";

/* Hands the browser a download for each site with something unsent; resolves to the files' names. */
export async function saveOutbox() {
  const records = await outbox.list();
  const names = [];
  for (const site of new Set(records.map((record) => record.site))) {
    const name = `outbox-${site}-${new Date().toISOString().slice(0, 16).replace(/[:T]/g, "-")}.zip`;
    const blob = await new Response(makeZip(members(site, records.filter((record) => record.site === site)))).blob();
    download(new Blob([blob], { type: "application/zip" }), name);
    names.push(name);
  }
  return names;
}

async function* members(site, records) {
  const kept = new Set();
  const index = {
    format: 1, person: outbox.me(), name: document.querySelector(".top .who")?.textContent.trim() ?? "", site,
    phone: await outbox.phone(), saved_at: new Date().toISOString(), records: inOrder(records).map(withPaths),
  };
  yield { name: "outbox.json", input: JSON.stringify(index) };
  for (const record of records) {
    for (const [place, file] of record.files.entries()) {
      if (kept.has(file.sha256)) continue;
      kept.add(file.sha256);
      yield { name: `files/${file.sha256}`, input: await outbox.blob(record, place) };
    }
  }
}

/* Each record stands after the one it waits for: a photo is stored on the phone before the form it goes with. */
function inOrder(records) {
  const numbers = new Set(records.map((record) => record.uuid));
  const after = (uuid) => records.filter((record) => record.after === uuid).flatMap((record) => [record, ...after(record.uuid)]);
  return records.filter((record) => !numbers.has(record.after)).flatMap((record) => [record, ...after(record.uuid)]);
}

const withPaths = (record, place) => ({ ...record, seq: place + 1, files: record.files.map((file) => ({ ...file, path: `files/${file.sha256}` })) });

function download(blob, name) {
  const link = document.createElement("a");
  link.href = URL.createObjectURL(blob);
  link.download = name;
  document.body.append(link);
  link.click();
  link.remove();
  setTimeout(() => URL.revokeObjectURL(link.href), 60000);
}
