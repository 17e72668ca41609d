// The page around the drawing: words, digits, captions, languages; and on a served screen the stream it comes from.
"use strict";

const $ = (id) => document.getElementById(id);

class Stage {
  constructor() {
    this.view = null;
    this.chosen = this.remembered();
    this.picture = new Picture($("picture"));
    for (const language of LANGUAGES) {
      const button = document.createElement("button");
      button.type = "button";
      button.lang = language;
      button.textContent = language;
      button.title = WORDS[language].language;
      button.setAttribute("aria-label", WORDS[language].language);
      button.addEventListener("click", () => this.choose(language));
      $("languages").append(button);
    }
    document.addEventListener("keydown", (event) => {
      if (event.key.toLowerCase() === "l" && !event.ctrlKey && !event.altKey && !event.metaKey) {
        this.choose(LANGUAGES[(LANGUAGES.indexOf(this.language) + 1) % LANGUAGES.length]);
      }
    });
    this.dress();
  }

  remembered() {
    const asked = new URLSearchParams(location.search).get("lang");
    if (LANGUAGES.includes(asked)) return asked;
    try {
      const kept = sessionStorage.getItem("language");
      return LANGUAGES.includes(kept) ? kept : null;
    } catch { return null; }
  }

  get language() {
    if (this.chosen) return this.chosen;
    const given = this.view && this.view.language;
    return LANGUAGES.includes(given) ? given : "en";
  }

  choose(language) {
    this.chosen = language;
    try { sessionStorage.setItem("language", language); } catch { /* a page from a file may keep nothing */ }
    this.dress();
    this.paint();
    document.dispatchEvent(new CustomEvent("language"));
  }

  // What depends on the language alone.
  dress() {
    const words = WORDS[this.language];
    this.dressed = this.language;
    document.documentElement.lang = this.language;
    for (const button of $("languages").children) button.setAttribute("aria-pressed", String(button.lang === this.language));
    $("languages").setAttribute("aria-label", words.chooseLanguage);
    $("number-name").textContent = words.digits;
    $("words-name").textContent = words.state;
    $("legend-name").textContent = words.legend;
    $("legend").replaceChildren(...["sensed", "inferred", "simulated"].map((known) => {
      const item = document.createElement("li");
      const sample = draw(item, "svg", { viewBox: "0 0 80 18", "aria-hidden": "true" });
      draw(sample, "path", { class: "badge", d: badge(known, 10, 9, 7) });
      draw(sample, "path", { class: "arm " + known, d: "M26 9H80" });
      const text = document.createElement("span");
      text.textContent = words.known[known];
      item.append(text);
      return item;
    }));
  }

  show(view) {
    this.view = view;
    if (this.language !== this.dressed) this.dress();
    this.paint();
  }

  paint() {
    const view = this.view, words = WORDS[this.language];
    const scene = view && view.scene;
    document.body.classList.toggle("starting", !scene);
    document.body.classList.toggle("blank", Boolean(view && view.blank));
    document.body.dataset.what = view ? view.what : "";
    if (!scene) {
      $("stage").textContent = words.waiting;
      this.say(view ? view.caption : {});
      this.picture.show(view, this.language);
      return;
    }
    text($("title"), scene.title);
    const pace = view.pace ? fill(words.pace, { p: view.pace }) : "";
    text($("source"), [view.replay ? (view.only_recorded ? words.onlyRecorded : words.replay) : words.live, pace].filter(Boolean).join(" · "));
    $("source").classList.toggle("replay", Boolean(view.replay));
    text($("stage"), words.stages[scene.stage]);
    this.say(view.caption);
    this.number(scene, words);
    this.picture.show(view, this.language);
    set($("picture"), "aria-label", `${words.picture}: ${words.stages[scene.stage]}`);
    this.tell(scene, words);
  }

  // A caption is in one of the languages; if not in this one, then in another, and the page says in which.
  say(caption) {
    const there = [this.language, "en", ...Object.keys(caption)].find((each) => caption[each]) || this.language;
    set($("caption"), "lang", there);
    text($("caption"), caption[there] || "");
  }

  number(scene, words) {
    const list = $("digits"), party = scene.caller;
    while (list.children.length > scene.digits.length) list.lastChild.remove();
    while (list.children.length < scene.digits.length) {
      const item = document.createElement("li");
      item.innerHTML = '<span></span><span class="pips" aria-hidden="true"></span><span class="unseen"></span>';
      list.append(item);
    }
    [...scene.digits].forEach((digit, place) => {
      const item = list.children[place], here = place + 1;
      const dialling = here === party.digit && scene.stage === DIALLING;
      const done = here < party.digit || (here === party.digit && !dialling);
      set(item, "class", dialling ? "now" : done ? "done" : "next");
      text(item.children[0], digit);
      const pips = dialling ? party.pulses : 0;
      const row = item.children[1];
      while (row.children.length > pips) row.lastChild.remove();
      while (row.children.length < pips) row.append(document.createElement("i"));
      text(item.children[2], dialling ? `${words.digitNow}, ${fill(words.pulses, { n: party.pulses })}` : done ? words.digitDone : words.digitNext);
    });
  }

  // The same in words, for those who do not see the drawing.
  tell(scene, words) {
    const lines = [];
    for (const which of ["caller", "called"]) {
      const party = scene[which];
      lines.push([`${words[which]} ${party.name}: ${party.off_hook ? words.off : words.on}`, party.loop ? words.loop : words.noLoop,
        words.battery[party.battery], words.tones[party.tone], party.ringing ? words.rings : ""].filter(Boolean).join(", "));
    }
    for (const one of scene.switches) {
      const relays = one.relays.map((name) => words.relays[name] || name).join(", ") || words.none;
      lines.push([`${this.picture.title(one)}: ${this.picture.where(one)}`, one.magnet ? words.magnets[one.magnet] : "",
        fill(words.operated, { r: relays }), words.known[one.known]].filter(Boolean).join("; "));
    }
    const list = $("words");
    while (list.children.length > lines.length) list.lastChild.remove();
    while (list.children.length < lines.length) list.append(document.createElement("li"));
    lines.forEach((line, place) => text(list.children[place], line));
  }

  lost(on) {
    text($("lost"), on ? WORDS[this.language].lost : "");
  }
}

// What is heard with a recorded call. A browser plays nothing before somebody has touched the page, unless it was started
// to allow that; until then the button says what to do.
class Sound {
  constructor(stage) {
    this.stage = stage;
    this.player = null;
    this.view = null;
    this.off = false;
    this.refused = false;
    document.addEventListener("language", () => this.dress());
  }

  // Made when there is something to hear: a page without sound has no button for it.
  make() {
    this.player = new Audio();
    document.body.append(this.player);
    this.button = document.createElement("button");
    this.button.type = "button";
    this.button.id = "sound";
    this.button.addEventListener("click", () => {
      this.off = !this.refused && !this.off;
      this.play();
    });
    $("languages").before(this.button);
  }

  show(view) {
    this.view = view;
    if (view.sound) {
      if (!this.player) this.make();
      if (this.player.getAttribute("src") !== view.sound) this.player.src = view.sound;
      const at = view.sound_us / 1e6;
      if (Math.abs(this.player.currentTime - at) > 0.3) this.player.currentTime = at;
    }
    this.play();
  }

  play() {
    const wanted = this.player && this.view.sound && !this.view.blank;
    if (!wanted || this.off) {
      if (this.player) this.player.pause();
      this.dress();
      return;
    }
    this.player.play().then(() => { this.refused = false; this.dress(); }, (error) => {
      if (error.name === "NotAllowedError") this.refused = true;
      this.dress();
    });
  }

  dress() {
    if (!this.player) return;
    const words = WORDS[this.stage.language];
    this.button.hidden = !this.view.sound;
    text(this.button, this.refused ? words.soundPlease : words.sound);
    set(this.button, "aria-pressed", String(!this.off && !this.refused));
  }
}

const DIALLING = 4;

function text(element, value) {
  if (element.textContent !== value) element.textContent = value;
}

// The stream. The browser comes back by itself after a break; after a refusal, or a long silence, the page does. It
// is given the newest scene when it comes, so nothing of the state is ever missing.
class Feed {
  constructor(stage) {
    this.stage = stage;
    this.sound = new Sound(stage);
    this.heard = performance.now();
    this.source = null;
    this.open();
    setInterval(() => {
      const silent = performance.now() - this.heard;
      this.stage.lost(silent > 12_000 || this.source.readyState !== EventSource.OPEN && silent > 3_000);
      if (this.source.readyState === EventSource.CLOSED && silent > 1_500 || silent > 30_000) this.open();
    }, 1_000);
  }

  open() {
    if (this.source) this.source.close();
    this.heard = performance.now();
    this.source = new EventSource("events");
    const heard = (work) => (event) => {
      if (event.target !== this.source) return;
      this.heard = performance.now();
      this.stage.lost(false);
      work(event);
    };
    this.source.addEventListener("hello", heard((event) => {
      // The server is a newer one than this page is from.
      const page = document.querySelector("meta[name=page]").content;
      if (JSON.parse(event.data).page !== page) setTimeout(() => location.reload(), performance.now() < 5_000 ? 5_000 : 0);
    }));
    this.source.addEventListener("beat", heard(() => {}));
    this.source.addEventListener("value", heard((event) => {
      const view = JSON.parse(event.data);
      this.stage.show(view);
      this.sound.show(view);
      document.documentElement.dataset.version = event.lastEventId;
    }));
  }
}

if (document.querySelector("meta[name=page]")) new Feed(new Stage());
