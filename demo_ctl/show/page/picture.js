// The drawing of one scene. Whatever scene it is given it shows, whole: it keeps nothing of the scenes before, so two
// screens with the same scene show the same picture. Every element that shows a value carries it as data-..., and
// tests read the scene back from there.
"use strict";

const SVG = "http://www.w3.org/2000/svg";
const OVERFLOW = 11;
// In local units of a switch's box, 200 by 286. The finder's is turned round: its lines come in at the bank.
const SMALL = { width: 200, turn: 200, height: 286, shaft: 26, first: 50, across: 14, low: 175, up: 15, rest: 196, lane: 14, dot: 2.6 };
// The same switch under the glass, 470 by 366.
const LARGE = { width: 470, turn: 362, height: 366, shaft: 42, first: 90, across: 24, low: 270, up: 22, rest: 296, lane: 50, dot: 4.2 };
const RELAYS_OF = {
  finder: [],
  selector: ["A", "B", "C", "cut-through"],
  connector: ["A", "B", "C", "cut-through", "ringing", "F", "D"],
};
const PHONE = { width: 280, height: 356, jack: 28 };
// Below this scale a switch's words are few and large.
const COMPACT = 0.75;

function draw(parent, name, attributes, text) {
  const element = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes || {})) element.setAttribute(key, value);
  if (text !== undefined) element.textContent = text;
  parent.append(element);
  return element;
}

function set(element, name, value) {
  const text = String(value);
  if (element.getAttribute(name) !== text) element.setAttribute(name, text);
}

function flag(element, name, on) {
  if (element.classList.contains(name) !== Boolean(on)) element.classList.toggle(name, Boolean(on));
}

// A text no wider than `most` units; narrower letters rather than words cut off.
function write(element, text, most) {
  if (element.textContent === text) return;
  element.textContent = text;
  element.removeAttribute("textLength");
  element.removeAttribute("lengthAdjust");
  if (most && element.getComputedTextLength() > most) {
    element.setAttribute("textLength", most);
    element.setAttribute("lengthAdjust", "spacingAndGlyphs");
  }
}

// Every field of a scene's part as data-..., lists with commas between.
function mark(element, values) {
  for (const [key, value] of Object.entries(values)) {
    if (value === null || typeof value === "object" && !Array.isArray(value)) continue;
    set(element, "data-" + key.replaceAll("_", "-"), Array.isArray(value) ? value.join(",") : value);
  }
}

function column(form, turned, number) {
  const x = form.first + (number - 1) * form.across;
  return turned ? form.turn - x : x;
}

function row(form, number) {
  return number === 0 ? form.rest : form.low - (number - 1) * form.up;
}

// The switch to look at closely: the one that moved last, or else the furthest that is in use.
function focus(scene) {
  const last = scene.last ? scene.switches.findIndex((each) => each.part === scene.last.part) : -1;
  if (last >= 0) return last;
  let found = 0;
  scene.switches.forEach((each, place) => {
    if (each.serves === 1 && (each.vertical || each.rotary || each.relays.length || each.magnet)) found = place;
  });
  return found;
}

function through(one) {
  const there = one.vertical > 0 && one.rotary > 0 && one.rotary < OVERFLOW;
  return there && (one.kind === "finder" ? one.magnet === "" : one.relays.includes("cut-through"));
}

class Picture {
  constructor(svg) {
    this.svg = svg;
    this.view = null;
    this.language = "en";
    this.form = "";
    new ResizeObserver(() => { this.form = ""; this.paint(); }).observe(svg);
  }

  show(view, language) {
    this.view = view;
    this.language = language;
    this.paint();
  }

  paint() {
    if (!this.view || !this.view.scene) { this.svg.replaceChildren(); this.form = ""; return; }
    const { scene, what } = this.view;
    const form = [what, this.language, this.svg.clientWidth, this.svg.clientHeight,
      ...scene.switches.map((each) => each.kind + each.stage + each.serves)].join(" ");
    if (form !== this.form) { this.form = form; this.build(scene, what); }
    this.update(scene);
  }

  get words() { return WORDS[this.language]; }

  build(scene, what) {
    const width = this.svg.clientWidth || 800, height = this.svg.clientHeight || 450;
    this.svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
    this.svg.replaceChildren();
    const places = layout(width, height, scene.switches.length, what);
    this.places = places;
    this.glass = null;
    this.caller = null;
    this.called = null;
    if (places.caller) this.caller = this.phone(places.caller, "caller");
    if (places.called) this.called = this.phone(places.called, "called");
    if (places.glass) this.glass = draw(this.svg, "g", { class: "glass", transform: at(places.glass) });
    this.glassForm = "";
    this.switches = scene.switches.map((each, place) => places.switches ? this.small(each, places.switches[place]) : null);
    this.wires = draw(this.svg, "g", { class: "wires" });
    this.wires.style.setProperty("--thick", `${5.5 * ((places.switches || [])[0] || places.caller || { scale: 1 }).scale + 1}px`);
    if (places.exchange) {
      const { x, y, width: wide, height: high } = places.exchange;
      draw(this.svg, "rect", { class: "pane", x, y, width: wide, height: high, rx: 12 });
      const name = draw(this.svg, "text", { class: "exchange", x: x + wide / 2, y: y + high / 2 + high * 0.09, "text-anchor": "middle" });
      name.style.fontSize = `${high * 0.26}px`;
      write(name, this.words.exchange, wide * 0.9);
    }
    this.wire = [];
    const count = scene.switches.filter((each) => each.serves === 1).length;
    for (let place = 0; place <= count; place++) {
      this.wire.push({ under: draw(this.wires, "path", { class: "wire under" }), over: draw(this.wires, "path", { class: "wire over" }) });
    }
  }

  // A telephone: hook, dial, dial's contact, bell, what it hears.
  phone(place, which) {
    const right = which === "called";
    const group = draw(this.svg, "g", { class: "phone " + which, transform: at(place) });
    const x = (value) => (right ? PHONE.width - value : value);
    const end = right ? "end" : "start";
    const made = { group, which };
    made.name = draw(group, "text", { class: "role", x: x(8), y: 24, "text-anchor": end });
    const all = draw(group, "g", { transform: "translate(0 20)" });
    const bell = draw(all, "g", { class: "bell", transform: `translate(${x(244)} 30)` });
    draw(bell, "path", { class: "dome", d: "M-20 14a20 22 0 0 1 40 0z" });
    draw(bell, "circle", { class: "dome", cx: 0, cy: 18, r: 5 });
    draw(bell, "path", { class: "swing", d: "M-26 -2a28 28 0 0 0 -3 18M26 -2a28 28 0 0 1 3 18M-34 -8a38 38 0 0 0 -4 28M34 -8a38 38 0 0 1 4 28" });
    const body = draw(all, "g");
    draw(body, "path", { class: "cradle", d: "M104 112v-13h14v13M162 112v-13h14v13" });
    draw(body, "path", { class: "body", d: "M92 112h96c9 0 14 6 18 15l34 104c4 13-3 23-17 23H57c-14 0-21-10-17-23l34-104c4-9 9-15 18-15z" });
    made.hand = draw(body, "g", { class: "hand" });
    draw(made.hand, "path", { class: "handset", d: "M64 104c-8 0-13-6-11-14c7-20 36-32 87-32s80 12 87 32c2 8-3 14-11 14h-26c-7 0-9-5-11-11c-9-6-69-6-78 0c-2 6-4 11-11 11z" });
    draw(body, "circle", { class: "plate", cx: 140, cy: 184, r: 64 });
    made.dial = draw(body, "g", { class: "dial" });
    draw(made.dial, "circle", { class: "wheel", cx: 140, cy: 184, r: 47 });
    for (let hole = 0; hole < 10; hole++) {
      const angle = (-60 - 30 * hole) * Math.PI / 180;
      draw(made.dial, "circle", { class: "hole", cx: 140 + 35 * Math.cos(angle), cy: 184 + 35 * Math.sin(angle), r: 8 });
    }
    for (let hole = 0; hole < 10; hole++) {
      const angle = (-60 - 30 * hole) * Math.PI / 180;
      draw(body, "text", { class: "figure", x: 140 + 55 * Math.cos(angle), y: 189 + 55 * Math.sin(angle), "text-anchor": "middle" }, String((hole + 1) % 10));
    }
    draw(made.dial, "path", { class: "mark", d: "M140 168v-8" });
    draw(body, "circle", { class: "hub", cx: 140, cy: 184, r: 20 });
    made.count = draw(body, "text", { class: "count", x: 140, y: 193, "text-anchor": "middle" });
    draw(body, "path", { class: "stop", d: "M163 211l15 18" });
    // The wire out, with the dial's contact in it.
    made.wire = draw(all, "path", { class: "wire over", d: `M${x(44)} 246H${x(PHONE.jack)}V268M${x(PHONE.jack)} 300V336` });
    made.blade = draw(all, "path", { class: "blade", d: `M${x(PHONE.jack)} 300V268` });
    draw(all, "circle", { class: "rivet", cx: x(PHONE.jack), cy: 268, r: 5 });
    draw(all, "circle", { class: "rivet", cx: x(PHONE.jack), cy: 300, r: 5 });
    made.turn = right ? 32 : -32;
    made.loop = draw(all, "text", { class: "says strong", x: x(56), y: 280, "text-anchor": end });
    made.battery = draw(all, "text", { class: "says", x: x(56), y: 302, "text-anchor": end });
    made.hears = draw(all, "text", { class: "says strong", x: x(56), y: 326, "text-anchor": end });
    made.waves = draw(all, "path", { class: "waves", d: "M28 62a34 34 0 0 0 0 44M16 54a48 48 0 0 0 0 60M252 62a34 34 0 0 1 0 44M264 54a48 48 0 0 1 0 60" });
    return made;
  }

  small(one, place) {
    const group = draw(this.svg, "g", { class: "switch", transform: at(place) });
    const made = { group, ...this.bank(group, SMALL, one.kind === "finder"), form: SMALL, turned: one.kind === "finder" };
    made.compact = place.scale < COMPACT;
    if (made.compact) group.classList.add("compact");
    made.badge = draw(group, "path", { class: "badge" });
    made.name = draw(group, "text", { class: "name", x: 26, y: made.compact ? 237 : 230 });
    made.position = draw(group, "text", { class: "position", x: 8, y: made.compact ? 272 : 255 });
    made.relays = draw(group, "text", { class: "operated", x: made.compact ? 92 : 8, y: made.compact ? 272 : 279 });
    return made;
  }

  bank(group, form, turned) {
    const x = (value) => (turned ? form.turn - value : value);
    const wide = form === LARGE;
    const left = column(form, turned, turned ? OVERFLOW : 1) - form.across * 0.75;
    const right = column(form, turned, turned ? 1 : OVERFLOW) + form.across * 0.75;
    const frame = draw(group, "rect", { class: "bank", x: left, y: row(form, 10) - form.up * 0.7, width: right - left, height: form.up * 10.4, rx: 5 });
    for (let level = 1; level <= 10; level++) {
      const dots = draw(group, "path", { class: "dots", d: Array.from({ length: 10 }, (_, at) => `M${column(form, turned, at + 1)} ${row(form, level)}h0`).join("") });
      dots.setAttribute("stroke-width", form.dot * 2);
      draw(group, "path", { class: "overflowing", d: `M${column(form, turned, OVERFLOW)} ${row(form, level) - form.dot}v${form.dot * 2}` });
      if (wide) draw(group, "text", { class: "figure", x: x(form.shaft - 23), y: row(form, level) + 6, "text-anchor": "middle" }, String(level));
    }
    if (wide) {
      for (let at = 1; at <= 10; at++) draw(group, "text", { class: "figure", x: column(form, turned, at), y: form.rest + 10, "text-anchor": "middle" }, String(at));
    }
    const shaftX = x(form.shaft);
    const shaft = draw(group, "path", { class: "shaft", d: `M${shaftX} ${form.lane}V${form.rest + 12}` });
    const teeth = draw(group, "path", { class: "teeth", d: Array.from({ length: 11 }, (_, level) => `M${shaftX - 7} ${row(form, level)}h14`).join("") });
    const carriage = draw(group, "g", { class: "carriage" });
    const reach = draw(carriage, "path", { class: "arm" });
    const hub = draw(carriage, "rect", { class: "collar", x: shaftX - form.across * 0.6, y: -form.up * 0.36, width: form.across * 1.2, height: form.up * 0.72, rx: 3 });
    const tip = draw(carriage, "circle", { class: "tip", r: form.dot * 1.9, cx: 0, cy: 0 });
    const magnet = draw(group, "path", { class: "magnet" });
    return { frame, shaft, teeth, carriage, reach, hub, tip, magnet, shaftX };
  }

  move(made, one) {
    const { form, turned } = made;
    made.carriage.style.transform = `translateY(${row(form, one.vertical)}px)`;
    // At rest the wipers stand clear of the bank.
    const clear = turned ? made.shaftX - form.across * 0.9 : made.shaftX + form.across * 0.9;
    const tip = one.rotary === 0 ? clear : column(form, turned, one.rotary);
    set(made.reach, "d", `M${made.shaftX} 0H${tip}`);
    made.tip.style.transform = `translateX(${tip}px)`;
    const y = form.rest + (form === LARGE ? 30 : 12), x = made.shaftX;
    set(made.magnet, "d", form === LARGE ? "" : arrow(one.magnet, x, y - 2, 8));
    for (const style of ["sensed", "inferred", "simulated"]) {
      for (const part of [made.frame, made.reach]) flag(part, style, one.known === style);
    }
  }

  title(one) {
    return fill(this.words.kinds[one.kind], { n: one.stage });
  }

  where(one) {
    if (one.vertical === 0 && one.rotary === 0) return this.words.rest;
    if (one.rotary === 0) return fill(this.words.level, { v: one.vertical });
    return fill(one.rotary >= OVERFLOW ? this.words.over : this.words.terminal, { v: one.vertical, r: one.rotary });
  }

  update(scene) {
    mark(this.svg, scene);
    const last = scene.last || { number: "", at_us: "", part: "", thing: "", value: "", known: "", cause: "", event: "" };
    for (const [key, value] of Object.entries(last)) set(this.svg, "data-last-" + key.replaceAll("_", "-"), value);
    for (const which of ["caller", "called"]) this.updatePhone(this[which], scene, which);
    const looked = focus(scene);
    scene.switches.forEach((one, place) => {
      const made = this.switches[place];
      if (!made) return;
      mark(made.group, one);
      this.move(made, one);
      flag(made.group, "looked", place === looked && Boolean(this.places.glass));
      flag(made.group, "guest", one.serves !== 1);
      set(made.badge, "d", badge(one.known, 14, made.compact ? 227 : 223, made.compact ? 9 : 7));
      write(made.name, made.compact ? fill(this.words.few[one.kind], { n: one.stage }) : this.title(one), 168);
      write(made.position, made.compact ? (one.serves !== 1 ? "" : one.vertical || one.rotary ? `${one.vertical}·${one.rotary}` : "–") : this.where(one), made.compact ? 76 : 188);
      const operated = one.relays.map((name) => this.words.short[name] || name).join(made.compact ? " " : "  ");
      write(made.relays, one.serves === 1 ? operated : this.words[one.serves === 2 ? "guest" : "home"], made.compact && one.serves === 1 ? 104 : 188);
      if (made.compact) set(made.relays, "x", one.serves === 1 ? 92 : 8);
    });
    this.updateGlass(scene, looked);
    this.updateWires(scene);
  }

  updatePhone(made, scene, which) {
    if (!made) return;
    const party = scene[which];
    const words = this.words;
    mark(made.group, party);
    write(made.name, [words[which], party.name].filter(Boolean).join(" · "), 264);
    flag(made.group, "lifted", party.off_hook);
    flag(made.group, "ringing", party.ringing);
    flag(made.group, "hearing", party.tone > 0 || (scene.stage === TALKING && party.off_hook));
    flag(made.group, "live", party.loop);
    flag(made.group, "dialling", party.digit > 0 && scene.stage < TALKING);
    made.hand.style.transform = party.off_hook ? "translate(0px, -36px) rotate(-4deg)" : "none";
    const sends = this.sends(scene, party);
    const left = party.digit > 0 && party.pulses > 0 ? Math.max(0, sends - party.pulses + (party.open_contact ? 0.5 : 0)) : 0;
    made.dial.style.transform = `rotate(${left * 30}deg)`;
    write(made.count, party.pulses > 0 && which === "caller" ? String(party.pulses) : "", 0);
    const closed = party.off_hook && !party.open_contact;
    made.blade.style.transform = closed ? "none" : `rotate(${made.turn}deg)`;
    write(made.loop, party.open_contact ? words.pulse : party.loop ? words.loop : words.noLoop, 212);
    write(made.battery, words.battery[party.battery] || "", 212);
    write(made.hears, party.ringing ? words.rings : words.tones[party.tone] || "", 212);
  }

  sends(scene, party) {
    const given = (this.view.pulses || [])[party.digit - 1];
    return given || Number(scene.digits[party.digit - 1]) || 10;
  }

  updateGlass(scene, looked) {
    if (!this.glass) return;
    const one = scene.switches[looked];
    set(this.svg, "data-looked", one ? one.part : "");
    if (!one) { this.glass.replaceChildren(); this.glassForm = ""; return; }
    const names = one.kind === "finder" ? ["line relay", "cut-off relay"] : RELAYS_OF[one.kind];
    const form = one.kind + one.stage;
    if (form !== this.glassForm) {
      this.glassForm = form;
      this.glass.replaceChildren();
      draw(this.glass, "rect", { class: "pane", x: 1, y: 1, width: LARGE.width + 150 - 2, height: LARGE.height - 2, rx: 14 });
      const made = this.bank(this.glass, LARGE, one.kind === "finder");
      this.close = { ...made, form: LARGE, turned: one.kind === "finder", relays: {}, magnets: {} };
      // The finder's bank is turned round, and stays clear of the relays.
      this.close.badge = draw(this.glass, "path", { class: "badge" });
      this.close.name = draw(this.glass, "text", { class: "name", x: 42, y: 34 });
      this.close.position = draw(this.glass, "text", { class: "position", x: LARGE.width + 134, y: 34, "text-anchor": "end" });
      names.forEach((name, place) => { this.close.relays[name] = this.relay(name, 386, 64 + place * 36); });
      ["vertical", "rotary", "release"].forEach((name, place) => {
        const group = draw(this.glass, "g", { class: "lever", transform: `translate(${14 + place * 200} 320)` });
        draw(group, "rect", { class: "plate", x: 0, y: 0, width: 192, height: 36, rx: 8 });
        draw(group, "path", { class: "sign", d: arrow(name, 22, 18, 11) });
        write(draw(group, "text", { class: "lever-name", x: 42, y: 25 }), this.words.magnets[name], 144);
        this.close.magnets[name] = group;
      });
    }
    const close = this.close;
    this.move(close, one);
    set(close.badge, "d", badge(one.known, 26, 27, 9));
    write(close.name, this.title(one), 260);
    write(close.position, this.where(one), 300);
    const operated = one.kind === "finder" ? scene[one.serves === 2 ? "called" : "caller"].relays || [] : one.relays;
    for (const [name, group] of Object.entries(close.relays)) flag(group, "pulled", operated.includes(name));
    for (const [name, group] of Object.entries(close.magnets)) flag(group, "pulled", one.magnet === name);
  }

  // A relay: coil, armature and contact. Pulled in, the armature lies on the filled coil and the contact is closed.
  relay(name, x, y) {
    const group = draw(this.glass, "g", { class: "relay", transform: `translate(${x} ${y})` });
    draw(group, "rect", { class: "coil", x: 0, y: 10, width: 40, height: 18, rx: 3 });
    draw(group, "path", { class: "turns", d: "M8 10v18M16 10v18M24 10v18M32 10v18" });
    draw(group, "path", { class: "armature", d: "M-6 6H46" });
    draw(group, "path", { class: "post", d: "M-6 28V6" });
    const words = this.words.relays[name] || name;
    const short = this.words.short[name] || name;
    const label = draw(group, "text", { class: "relay-name", x: 58, y: 26 });
    write(label, short.length <= 2 ? `${short} · ${words}` : words, 168);
    return group;
  }

  // Wires between what is drawn: thin where nothing is through, thick where the line goes on, broken where it is open.
  updateWires(scene) {
    const train = scene.switches.map((one, place) => ({ one, made: this.switches[place], place })).filter((each) => each.one.serves === 1);
    const places = this.places;
    let live = scene.caller.loop;
    let joined = scene.caller.off_hook;
    for (let number = 0; number < this.wire.length; number++) {
      const { under, over } = this.wire[number];
      let idle = "", full = "", on = false, known = "sensed"; // a telephone's own wire is seen
      if (places.switches && train.length) {
        const before = train[number - 1], after = train[number];
        const from = before ? this.exit(before) : jack(places.caller, "caller");
        const to = after ? this.entry(after) : jack(places.called, "called");
        const finder = after && after.one.kind === "finder";
        // Where the line goes on from here is known as the switch is that leads it.
        known = (finder ? after : before || after).one.known;
        if (from && to) {
          const bend = this.between(from, to);
          idle = bend;
          full = (before ? this.inside(before) : "") + bend + (finder ? this.inside(after) : "");
        }
        on = joined && (finder ? through(after.one) : !before || before.one.kind === "finder" || through(before.one));
        joined = on;
      } else if (places.line && number < 2) {
        // Only the line: one wire from each telephone to the exchange, or to where they meet.
        const which = number ? "called" : "caller", from = jack(places[which], which);
        const middle = places.exchange ? places.exchange.x + (number ? places.exchange.width : 0) : (places.left + places.right) / 2;
        idle = full = `M${from.x} ${from.y}V${places.line}H${middle}`;
        on = scene[which].off_hook && !scene[which].open_contact;
        live = scene[which].loop;
      }
      set(under, "d", idle);
      set(over, "d", on ? full : "");
      flag(over, "live", live);
      for (const style of ["sensed", "inferred", "simulated"]) flag(over, style, known === style);
    }
    set(this.svg, "data-through", joined);
  }

  // In the picture's units: where the line leaves a switch, comes to it, and how it runs inside.
  exit(each) {
    const { place: box, shaftX } = this.box(each);
    return each.one.kind === "finder" ? point(box, shaftX, SMALL.lane) : point(box, 196, SMALL.lane);
  }

  entry(each) {
    const { place: box, shaftX } = this.box(each);
    return each.one.kind === "finder" ? point(box, 4, SMALL.lane) : point(box, shaftX, SMALL.lane);
  }

  box(each) {
    return { place: this.places.switches[each.place], shaftX: each.made.shaftX };
  }

  inside(each) {
    if (!through(each.one)) return "";
    const { place: box } = this.box(each);
    const turned = each.one.kind === "finder";
    const tip = point(box, column(SMALL, turned, each.one.rotary), row(SMALL, each.one.vertical));
    const edge = point(box, turned ? 4 : 196, SMALL.lane);
    return `M${tip.x} ${tip.y}H${edge.x}V${edge.y}`;
  }

  between(from, to) {
    const path = `M${from.x} ${from.y}`;
    if (Math.abs(from.y - to.y) < 2 && !to.jack) return path + `H${to.x}`;
    if (from.jack) return path + `V${to.y}H${to.x}`;
    if (to.jack) return path + `V${from.y - from.lift}H${to.x}V${to.y}`; // above switches that are not of this train
    const gap = to.y - to.lift - 6; // to the next row of switches
    return path + `H${this.places.right}V${gap}H${this.places.left}V${to.y}H${to.x}`;
  }
}

const TALKING = 8;

function at(place) {
  return `translate(${place.x} ${place.y}) scale(${place.scale})`;
}

function point(box, x, y) {
  return { x: box.x + x * box.scale, y: box.y + y * box.scale, lift: SMALL.lane * box.scale };
}

function jack(place, which) {
  return place ? { ...point(place, which === "called" ? PHONE.width - PHONE.jack : PHONE.jack, PHONE.height), jack: true } : null;
}

// What a magnet does, as an arrow about (x, y).
function arrow(name, x, y, size) {
  if (name === "vertical") return `M${x} ${y - size}l${size} ${size}h${-size * 0.55}v${size}h${-size * 0.9}v${-size}h${-size * 0.55}z`;
  if (name === "release") return `M${x} ${y + size}l${size} ${-size}h${-size * 0.55}v${-size}h${-size * 0.9}v${size}h${-size * 0.55}z`;
  if (name === "rotary") return `M${x + size} ${y}l${-size} ${-size}v${size * 0.55}h${-size}v${size * 0.9}h${size}v${size * 0.55}z`;
  return "";
}

// How a thing is known, as a shape: round, seen; a lozenge, worked out; a triangle, told by a simulation.
function badge(known, x, y, size) {
  if (known === "sensed") return `M${x - size} ${y}a${size} ${size} 0 1 0 ${2 * size} 0a${size} ${size} 0 1 0 ${-2 * size} 0z`;
  if (known === "inferred") return `M${x} ${y - size}L${x + size} ${y}L${x} ${y + size}L${x - size} ${y}z`;
  if (known === "simulated") return `M${x} ${y - size}L${x + size} ${y + size * 0.8}H${x - size}z`;
  return "";
}

// The largest switches that fit: rows and scale for `count` boxes in a space.
function rows(width, height, count) {
  let best = { scale: 0, across: 1, lines: 1 };
  for (let lines = 1; lines <= count; lines++) {
    const across = Math.ceil(count / lines);
    const scale = Math.min((width - 36) / across / SMALL.width, height / lines / (SMALL.height + (lines > 1 ? 22 : 4)));
    if (scale > best.scale * 1.06) best = { scale, across, lines };
  }
  return best;
}

function spread(area, count, widest) {
  const { scale, across, lines } = rows(area.width, area.height, count);
  const step = Math.min((area.width - 36) / across, SMALL.width * scale * widest);
  const left = area.x + (area.width - step * across) / 2;
  const high = area.height / lines;
  return Array.from({ length: count }, (_, place) => ({
    x: left + (place % across) * step + (step - SMALL.width * scale) / 2,
    y: area.y + Math.floor(place / across) * high + (lines > 1 ? 20 : 0),
    scale,
  }));
}

function fitted(area, box) {
  const scale = Math.min(area.width / box.width, area.height / box.height);
  return { x: area.x + (area.width - box.width * scale) / 2, y: area.y + (area.height - box.height * scale) / 2, scale };
}

function layout(width, height, count, what) {
  const wide = width > height * 1.05;
  const close = { width: LARGE.width + 150, height: LARGE.height };
  const places = { left: 8, right: width - 8 };
  if (what === "wipers") {
    places.switches = spread({ x: 0, y: 4, width, height: height - 4 }, count, 1.5);
    return places;
  }
  if (what === "line") {
    const scale = wide ? Math.min(width * 0.42 / PHONE.width, (height - 40) / PHONE.height) : Math.min(width * 0.48 / PHONE.width, (height - 40) / PHONE.height);
    const y = (height - 30 - PHONE.height * scale) / 2;
    places.caller = { x: width * 0.02, y, scale };
    places.called = { x: width * 0.98 - PHONE.width * scale, y, scale };
    places.line = y + PHONE.height * scale + 18;
    const right = places.caller.x + PHONE.width * scale + width * 0.02;
    const across = places.called.x - width * 0.02 - right;
    // Between them if there is room, else above the wire.
    if (across > width * 0.2) places.exchange = { x: right, y: places.line - height * 0.2, width: across, height: height * 0.2 };
    return places;
  }
  if (wide) {
    const train = rows(width, height * 0.42, count);
    const low = train.scale * (SMALL.height + (train.lines > 1 ? 22 : 4)) * train.lines;
    const high = height - low - 10;
    const side = Math.min(width * 0.28, high / PHONE.height * PHONE.width);
    const scale = side / PHONE.width;
    places.switches = spread({ x: 0, y: high + 6, width, height: low }, count, 9);
    // The telephones' wires come down just where the train begins and ends.
    const first = places.switches[0], last = places.switches[train.across - 1];
    const shift = first ? Math.max(0, first.x + 4 * first.scale - PHONE.jack * scale) : 0;
    const end = last ? Math.min(width, last.x + 196 * last.scale + PHONE.jack * scale) : width;
    places.caller = { x: shift, y: high - PHONE.height * scale, scale };
    places.called = { x: end - side, y: high - PHONE.height * scale, scale };
    places.glass = fitted({ x: side + 12, y: 0, width: width - 2 * side - 24, height: high - 14 }, close);
    return places;
  }
  const scale = Math.min(width * 0.47 / PHONE.width, height * 0.27 / PHONE.height);
  const top = PHONE.height * scale;
  const glass = Math.min(height * 0.33, (width - 8) / close.width * close.height);
  places.caller = { x: 0, y: 0, scale };
  places.called = { x: width - PHONE.width * scale, y: 0, scale };
  places.switches = spread({ x: 0, y: top + 6, width, height: height - top - glass - 16 }, count, 1.5);
  places.glass = fitted({ x: 4, y: height - glass, width: width - 8, height: glass }, close);
  return places;
}
