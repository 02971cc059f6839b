/* Scans answered from the cartons' list that the server made (receiving/carton_list.py), in the server's own words.
   Pure: no page, no network, no clock but the one it is given. `judge` says what a scan is and changes nothing; `apply`
   counts it in; `settle` counts in what the server answered meanwhile, as far as the list does not know it yet. */
import { isSscc, readScan, readTag, tidy } from "./label.js";

const USUAL = [0, 1, 0, null, null, null, null, 0, 0];
const WORKED = new Set(["unloading", "paused", "counted"]);
const WAITING = new Set(["expected", "at_door"]);
const GONE = "released";

/* One trailer's list, its cartons by label. */
export class LoadList {
  constructor(data) {
    [this.number, this.trailer, this.state] = data.trailer;
    const { words, zone, running, others, released } = data;
    Object.assign(this, { words, zone, others, released, whyNot: data.why_not, running: [...running] });
    this.stores = data.stores.map(([number, name]) => ({ number, name }));
    this.pallets = data.pallets.map(([number, name, store]) => ({ number, name, store: this.#key(store) }));
    this.blindBills = data.blind_bills.map(([id, number]) => ({ id, number }));
    this.blind = new Map(data.blind.map(([label, at, who]) => [label, { at: at + data.base, who: data.people[who] }]));
    this.cartons = new Map();
    for (const row of data.cartons) {
      const carton = this.#carton(row, data);
      if (!this.cartons.has(carton.label)) this.cartons.set(carton.label, []);
      this.cartons.get(carton.label).push(carton);
    }
  }

  // Two trailers' lists name the same stores under other positions.
  #key(place) {
    return place === null ? null : `${this.stores[place].number} ${this.stores[place].name}`;
  }

  #carton([label, store, ...facts], { base, people, pallets, bills }) {
    const [received, expected, bill, at, who, pallet, newer, short, flags] = USUAL.map((usual, place) => facts[place] ?? usual);
    const goes = newer ?? store;
    return {
      label, received, expected, short, flags, list: this, bill: bills[bill], at: at === null ? null : at + base,
      who: who === null ? null : people[who], pallet: pallet === null ? null : pallets[pallet][0],
      store: this.stores[store], goes: this.stores[goes], key: this.#key(goes), rerouted: newer !== null,
    };
  }
}

export const fill = (sentence, named) => sentence.replace(/%\((\w+)\)s|\{(\w+)\}/g, (_all, one, other) => named[one ?? other]);

/* `H:i` of a second since 1970 in the site's zone; with the day where that is not today. */
export function when(list, second, now) {
  const { text, day } = local(list, second);
  return day === local(list, Math.floor(now / 1000)).day ? text : `${day}, ${text}`;
}

function local({ zone, words }, second) {
  const [, offset, name] = zone.findLast(([from]) => from <= second) ?? zone[0];
  const at = new Date((second + offset) * 1000);
  const two = (number) => String(number).padStart(2, "0");
  return {
    text: `${two(at.getUTCHours())}:${two(at.getUTCMinutes())} ${name}`,
    day: `${words.days[at.getUTCDay()]} ${at.getUTCDate()} ${words.months[at.getUTCMonth()]} ${at.getUTCFullYear()}`,
  };
}

/* The lists a phone has: the trailer's own and those of the site's others. */
export class Lists {
  constructor(own, others = [], { person, log }) {
    this.own = new LoadList(own);
    this.others = others.map((data) => new LoadList(data));
    this.person = person;
    this.log = log;
  }

  /* What a raw scan is answered. context -- {pallet: number or null, bill: id or null, now: milliseconds}
     {refused: sentence, field} where the server would take nothing (closed: because nothing is counted now); else the answer, with what `apply` needs. */
  judge(raw, { pallet = null, bill = null, now }) {
    const tag = readTag(raw);
    if (tag) return { refused: this.say("own_tag", { number: tag.number }), tag };
    if (this.own.whyNot && this.own.state !== GONE) return { refused: this.own.whyNot, closed: true };
    const inHand = pallet === null ? null : this.#pallet(pallet);
    if (inHand && inHand.store === null) return { refused: this.say("pallet_closed", { pallet: inHand.name }), field: "pallet" };
    const question = { now, bill, pallet: inHand };
    let label;
    try {
      ({ label } = readScan(raw));
    } catch (why) {
      return this.#answer("bad_label", tidy(raw), { detail: fill(this.own.words.wrong[why.code], why.named) });
    }
    const carton = this.#choose(label);
    if (carton && carton.list.state === GONE) return this.#left(carton, question);
    if (carton) return carton.received >= carton.expected ? this.#again(carton, question) : this.#count(carton, question);
    const stranger = isSscc(label) && this.#stranger(label);
    if (stranger) {
      const detail = this.say("other_waiting", { trailer: stranger.list.trailer });
      return this.#answer("other_waiting", label, { carton: stranger, trailer: this.own, detail });
    }
    return this.#unlisted(label, question);
  }

  say(name, named = {}) {
    return fill(this.own.words.says[name], named);
  }

  #pallet(number) {
    return this.own.pallets.find((pallet) => pallet.number === number) ?? { number, name: `L-${number}`, store: undefined };
  }

  #choose(label) {
    const here = this.own.cartons.get(label) ?? [];
    if (here.length) return here.find((carton) => carton.received < carton.expected) ?? here[0];
    let there = this.others.filter((list) => WORKED.has(list.state)).flatMap((list) => list.cartons.get(label) ?? []);
    // A label that repeats and is counted in full there says nothing about the carton that is here.
    if (!isSscc(label)) there = there.filter((carton) => carton.received < carton.expected);
    return there.length === 1 ? there[0] : null;
  }

  #stranger(label) {
    const lists = this.others.filter((list) => WAITING.has(list.state));
    return lists.flatMap((list) => list.cartons.get(label) ?? []).at(-1);
  }

  #count(carton, question) {
    const isShort = carton.expected - carton.received <= carton.short;
    const effect = { carton, more: 1, found: isShort };
    if (isShort) return this.#said("found", carton, question, this.say("found"), effect);
    if (carton.list !== this.own) {
      return this.#said("other_trailer", carton, question, this.say("credited", { trailer: carton.list.trailer }), effect);
    }
    const fits = !question.pallet || question.pallet.store === undefined || question.pallet.store === carton.key;
    return this.#said(fits ? "counted" : "wrong_pallet", carton, question, "", effect);
  }

  #again(carton, question) {
    const { pallet, now } = question;
    if (pallet && pallet.store === carton.key && carton.pallet !== pallet.number) {
      return this.#said("placed", carton, question, this.say("placed"), { carton });
    }
    let detail = carton.expected > 1 ? this.say("all_counted", { count: carton.expected }) : this.#whenCounted(carton.at, carton.who, now);
    if (carton.list !== this.own) detail += ` ${this.say("its_trailer", { trailer: carton.list.trailer })}`;
    return this.#said("already", carton, question, detail);
  }

  #whenCounted(at, who, now) {
    return at === null ? this.say("counted_already") : this.say("counted_when", { when: when(this.own, at, now), who });
  }

  #said(result, carton, { pallet }, detail = "", effect = null) {
    const misplaced = Boolean(pallet) && pallet.store !== undefined && pallet.store !== carton.key;
    if (misplaced) detail = `${detail} ${this.#belongs(carton)}`.trim();
    const on = misplaced || result === "already" ? null : pallet;
    return this.#answer(result, carton.label, { carton, detail, misplaced, pallet: on, effect, log: true });
  }

  #belongs(carton) {
    const store = `${carton.goes.number} ${carton.goes.name}`.trim();
    const pallet = this.own.pallets.find((each) => each.store === carton.key);
    return pallet ? this.say("goes_to_pallet", { store, pallet: pallet.name }) : this.say("goes_to_store", { store });
  }

  #left(carton, question) {
    let detail = this.say("left", { when: when(this.own, this.own.released, question.now) });
    if (carton.short) detail += ` ${this.say("left_short")}`;
    else if (carton.received < carton.expected) detail += ` ${this.say("left_uncounted")}`;
    else detail += ` ${this.#whenCounted(carton.at, carton.who, question.now)}`;
    return this.#said("other_released", carton, question, detail);
  }

  #unlisted(label, { bill, pallet, now }) {
    const bills = this.own.state === GONE ? [] : this.own.blindBills;
    if (!bills.length) return this.#answer("not_listed", label, { detail: this.say("not_listed"), log: true });
    const chosen = bills.find((each) => each.id === bill) ?? (bills.length === 1 ? bills[0] : null);
    if (!chosen) return { refused: this.say("bill_missing", { label }), field: "shipment" };
    const earlier = this.own.blind.get(label);
    if (earlier) return this.#answer("already", label, { detail: this.#whenCounted(earlier.at, earlier.who, now) });
    return this.#answer("blind", label, { pallet, effect: { blind: label, bill: chosen.id } });
  }

  #answer(result, label, { carton = null, trailer = carton?.list ?? this.own, detail = "", misplaced = false, pallet = null, effect = null, log = false }) {
    const { faces, flags } = this.own.words;
    let [look, icon, words, line, counts] = faces[result];
    if (misplaced && look !== "wrong") {
      words = this.say("misplaced", { words });
      [look, icon] = ["wrong", faces.wrong_pallet[1]];
    }
    return {
      result, label, look, icon, words, line, counts, detail, misplaced, effect, trailer: trailer.number,
      store: carton?.goes.number ?? null, store_name: carton?.goes.name ?? "",
      rerouted_from: carton?.rerouted ? carton.store.number : null, pallet: pallet?.number ?? null,
      flags: flags.filter((_flag, place) => (carton?.flags ?? 0) & (1 << place)),
      // What is declared short is a piece already; the server has its address.
      ...(log && !(result === "other_released" && carton.short) ? this.#wayOn(result, label) : { log: null, log_words: "" }),
    };
  }

  #wayOn(result, label) {
    const { log_over: over, log_late: late, log_wrong: wrong } = this.own.words;
    const query = (more) => `${this.log}?${new URLSearchParams({ label, ...more })}`;
    const isGone = this.own.state === GONE;
    if (result === "not_listed" || (result === "other_released" && !isGone)) return { log: query({ kind: "over" }), log_words: over };
    return { log: query({}), log_words: result === "other_released" ? late : wrong };
  }

  /* Counts an answer in. at -- milliseconds. Gives what it adds to the trailer's own figures: [expected, counted, missing, over] */
  apply({ effect, pallet, result }, at) {
    if (!effect) return [0, 0, 0, 0];
    const second = Math.floor(at / 1000);
    if (effect.blind !== undefined) {
      this.own.blind.set(effect.blind, { at: second, who: this.person });
      const [, , missing] = this.own.running;
      return missing > 0 ? [0, 1, -1, 0] : [0, 1, 0, 1];
    }
    const { carton } = effect;
    if (pallet !== null) carton.pallet = pallet;
    if (!effect.more) return [0, 0, 0, 0];
    carton.received += 1;
    [carton.at, carton.who] = [second, this.person];
    if (effect.found) carton.short -= 1;
    if (carton.list !== this.own) return [0, 0, 0, 0];
    return result === "found" ? [0, 1, 0, 0] : [0, 1, -1, 0];
  }

  /* A scan of this phone that the server has answered. at -- the server's moment, in seconds. True where it was news. */
  settle({ result, label, trailer, pallet }, at) {
    const list = [this.own, ...this.others].find((each) => each.number === trailer);
    if (result === "blind") {
      if (!list || list.blind.has(label)) return false;
      list.blind.set(label, { at, who: this.person });
      return true;
    }
    const rows = list?.cartons.get(label) ?? [];
    const carton = rows.find((each) => each.received < each.expected) ?? rows.at(0);
    if (!carton) return false;
    if (pallet !== null && (carton.at === null || carton.at <= at)) carton.pallet = pallet;
    const known = rows.some((each) => each.at !== null && each.at >= at);
    if (known || !list.words.faces[result][4] || carton.received >= carton.expected) return false;
    carton.received += 1;
    if (result === "found" && carton.short) carton.short -= 1;
    [carton.at, carton.who] = [at, this.person];
    return true;
  }

  /* The same, taken back since: what the list still holds of it goes. */
  unsettle({ result, label, trailer }, at) {
    const list = [this.own, ...this.others].find((each) => each.number === trailer);
    if (result === "blind" && list?.blind.get(label)?.at === at) list.blind.delete(label);
    const carton = (list?.cartons.get(label) ?? []).find((each) => each.at === at && each.who === this.person && each.received);
    if (!carton || !list.words.faces[result][4]) return;
    carton.received -= 1;
    if (!carton.received) [carton.at, carton.who] = [null, null];
  }
}
