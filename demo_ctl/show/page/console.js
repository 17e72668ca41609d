// The presenter's page: shows what the show tells, sends wishes. It decides nothing.
"use strict";

const $ = (id) => document.getElementById(id);
const SAYS = {
  en: {
    next: "Next", hold: "Hold", repeat: "Repeat", blank: "Blank screen", unblank: "Screen on", stop: "Stop", pace: "Pace",
    now: "Now", live: "Live on the line", bell: "Ringing", coming: "What comes next", elapsed: "Since the start", left: "still to go",
    nothing: "Nothing", held: "Held: press Next to go on", waiting: "Waiting for you: press Next", rehearsal: "Rehearsal: nothing rings", inTime: "in {t}",
    upTo: "ends within {t}", token: "Token of this show", enter: "Open", wrong: "That token is not right.", many: "Too many tries. Wait a little.",
    lost: "No connection to the show. What you see is old.", failed: "The wish was not taken", sheet: "as the sheet says",
    keys: "Keys: Page Down or N next, Page Up or H hold, R repeat, B blank, S stop.", unknown: "not known", language: "Language",
  },
  de: {
    next: "Weiter", hold: "Halten", repeat: "Noch einmal", blank: "Bild aus", unblank: "Bild an", stop: "Halt! Ende", pace: "Tempo",
    now: "Jetzt", live: "Auf der Leitung", bell: "Läuten", coming: "Was kommt", elapsed: "Seit Beginn", left: "noch",
    nothing: "Nichts", held: "Gehalten: weiter mit Weiter", waiting: "Wartet auf Sie: Weiter drücken", rehearsal: "Probe: nichts läutet", inTime: "in {t}",
    upTo: "endet in {t}", token: "Kennwort dieser Vorführung", enter: "Öffnen", wrong: "Das Kennwort stimmt nicht.", many: "Zu viele Versuche. Bitte etwas warten.",
    lost: "Keine Verbindung zur Vorführung. Was Sie sehen, ist alt.", failed: "Der Wunsch wurde nicht angenommen", sheet: "wie auf dem Blatt",
    keys: "Tasten: Bild ab oder N weiter, Bild auf oder H halten, R noch einmal, B Bild aus, S Ende.", unknown: "nicht bekannt", language: "Sprache",
  },
  fr: {
    next: "Suite", hold: "Attendre", repeat: "Encore une fois", blank: "Écran noir", unblank: "Écran allumé", stop: "Arrêt", pace: "Allure",
    now: "Maintenant", live: "Sur la ligne", bell: "Sonnerie", coming: "Ce qui vient", elapsed: "Depuis le début", left: "encore",
    nothing: "Rien", held: "En attente : continuer avec Suite", waiting: "Vous attend : appuyez sur Suite", rehearsal: "Répétition : rien ne sonne", inTime: "dans {t}",
    upTo: "finit dans {t}", token: "Mot de passe de cette démonstration", enter: "Ouvrir", wrong: "Ce mot de passe n’est pas le bon.", many: "Trop d’essais. Attendez un peu.",
    lost: "Plus de liaison avec la démonstration. Ce que vous voyez est ancien.", failed: "Le souhait n’a pas été pris", sheet: "selon la feuille",
    keys: "Touches : page suivante ou N suite, page précédente ou H attendre, R encore, B écran noir, S arrêt.", unknown: "inconnu", language: "Langue",
  },
};
const KEYS = { PageDown: "next", n: "next", PageUp: "hold", h: "hold", r: "repeat", b: "blank", s: "stop", ".": "blank" };

let language = "en", token = "", state = null, since = 0, heard = 0, reading = null;

function text(element, value) {
  if (element.textContent !== value) element.textContent = value;
}

function time(us) {
  const seconds = Math.max(0, Math.ceil(us / 1e6));
  return `${Math.floor(seconds / 60)}:${String(seconds % 60).padStart(2, "0")}`;
}

function dress() {
  const says = SAYS[language];
  document.documentElement.lang = language;
  for (const button of $("languages").children) button.setAttribute("aria-pressed", String(button.lang === language));
  $("languages").setAttribute("aria-label", says.language);
  for (const [id, word] of [["now-name", "now"], ["live-name", "live"], ["bell-name", "bell"], ["coming-name", "coming"], ["elapsed-name", "elapsed"],
    ["left-name", "left"], ["token-name", "token"], ["enter", "enter"], ["keys", "keys"], ["pace-name", "pace"]]) text($(id), says[word]);
  for (const button of document.querySelectorAll("[data-wish]")) text(button, says[button.dataset.wish]);
  paint();
}

function paint() {
  const says = SAYS[language];
  if (!state) return;
  text($("show"), state.show || "");
  text($("place"), [state.place, state.rehearsal ? says.rehearsal : ""].filter(Boolean).join(" · "));
  text($("notice"), state.notice || "");
  text($("call"), state.call || "");
  text($("happening"), state.happening || (WORDS[language].stages[state.stage] || ""));
  text($("held"), state.waiting ? says.waiting : state.held ? says.held : "");
  const line = state.line && state.line.length ? state.line : [says.nothing];
  if ($("line").textContent !== line.join("")) {
    $("line").replaceChildren(...line.map((each) => Object.assign(document.createElement("li"), { textContent: each })));
  }
  text($("ringing"), state.ringing || says.unknown);
  $("bell").classList.toggle("danger", Boolean(state.ringing_live));
  text($("next"), state.next || "");
  const blank = document.querySelector("[data-wish=blank]");
  text(blank, state.blank ? says.unblank : says.blank);
  blank.setAttribute("aria-pressed", String(Boolean(state.blank)));
  document.querySelector("[data-wish=hold]").setAttribute("aria-pressed", String(Boolean(state.held)));
  for (const button of document.querySelectorAll("[data-wish]")) {
    // Stop is never taken away from a presenter, whatever the state says.
    const works = button.dataset.wish === "stop" || !state.wishes || state.wishes.includes(button.dataset.wish);
    button.setAttribute("aria-disabled", String(!works));
  }
  const paces = state.paces || [];
  const select = $("pace");
  if (select.dataset.paces !== language + paces.join()) {
    select.dataset.paces = language + paces.join();
    select.replaceChildren(...paces.map((each) => new Option(each || says.sheet, each)));
  }
  $("pacing").hidden = paces.length === 0;
  if (document.activeElement !== select) select.value = state.pace || "";
  tick();
}

// Times go on by themselves between two states.
function tick() {
  if (!state) return;
  const says = SAYS[language], gone = (performance.now() - since) * 1000;
  const moving = state.running ? gone : 0;
  text($("elapsed"), time((state.elapsed_us || 0) + gone));
  text($("left"), state.left_us >= 0 ? time(state.left_us - moving) : "–");
  text($("next-left"), state.next_left_us >= 0 ? fill(says.inTime, { t: time(state.next_left_us - moving) }) : "");
  text($("ringing-left"), state.ringing_left_us >= 0 ? fill(says.upTo, { t: time(state.ringing_left_us - gone) }) : "");
  text($("lost"), performance.now() - heard > 15_000 ? says.lost : $("lost").textContent);
}

async function wish(name, value) {
  const says = SAYS[language];
  if (!token) return;
  try {
    const answer = await fetch("console/wish", {
      method: "POST", cache: "no-store", signal: AbortSignal.timeout(5000),
      headers: { "content-type": "application/json", "x-console-token": token },
      body: JSON.stringify(value === undefined ? { wish: name } : { wish: name, value }),
    });
    if (answer.ok) {
      const reply = await answer.json();
      text($("answer"), reply.text || says[name]);
    } else {
      text($("answer"), `${says.failed}: ${(await answer.text()).trim()}`);
    }
  } catch {
    text($("answer"), `${says.failed}. ${says.lost}`);
  }
}

function locked(why) {
  document.body.classList.add("locked");
  text($("refused"), why);
  token = "";
  try { sessionStorage.removeItem("token"); } catch { /* nothing is kept then */ }
}

// The stream, read by hand: the browser's own reader of streams cannot send the token in a header.
async function listen() {
  const mine = {};
  reading = mine;
  while (token && reading === mine) {
    const stop = new AbortController();
    const watch = setInterval(() => { if (performance.now() - heard > 30_000) stop.abort(); }, 1000);
    try {
      heard = performance.now();
      const answer = await fetch("console/events", { cache: "no-store", headers: { "x-console-token": token }, signal: stop.signal });
      if (answer.status === 401) { locked(SAYS[language].wrong); return; }
      if (answer.status === 429) { locked(SAYS[language].many); return; }
      if (!answer.ok) throw new Error("refused");
      document.body.classList.remove("locked");
      text($("refused"), "");
      try { sessionStorage.setItem("token", token); } catch { /* nothing is kept then */ }
      const reader = answer.body.pipeThrough(new TextDecoderStream()).getReader();
      let rest = "";
      for (;;) {
        const { done, value } = await reader.read();
        if (done) break;
        heard = performance.now();
        text($("lost"), "");
        const parts = (rest + value).split("\n\n");
        rest = parts.pop();
        for (const part of parts) take(part);
      }
    } catch { /* told below */ } finally { clearInterval(watch); }
    if (reading !== mine) return;
    text($("lost"), SAYS[language].lost);
    await new Promise((resolve) => setTimeout(resolve, 1000));
  }
}

function take(part) {
  const fields = Object.fromEntries(part.split("\n").map((line) => [line.slice(0, line.indexOf(":")), line.slice(line.indexOf(":") + 2)]));
  if (fields.event !== "value") return;
  state = JSON.parse(fields.data);
  since = performance.now();
  document.documentElement.dataset.version = fields.id;
  paint();
}

function enter(given) {
  token = given.trim();
  if (token) listen();
}

for (const each of LANGUAGES) {
  const button = Object.assign(document.createElement("button"), { type: "button", lang: each, textContent: each, title: WORDS[each].language });
  button.setAttribute("aria-label", WORDS[each].language);
  button.addEventListener("click", () => { language = each; dress(); });
  $("languages").append(button);
}
for (const button of document.querySelectorAll("[data-wish]")) {
  button.addEventListener("click", () => { if (button.getAttribute("aria-disabled") !== "true") wish(button.dataset.wish); });
}
$("pace").addEventListener("change", (event) => { wish("pace", event.target.value); event.target.blur(); });
$("door").addEventListener("submit", (event) => { event.preventDefault(); enter($("token").value); $("token").value = ""; });
document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.altKey || event.metaKey || event.repeat || document.body.classList.contains("locked")) return;
  const name = KEYS[event.key] || KEYS[event.key.toLowerCase()];
  if (!name || event.target.matches("select, input")) return;
  event.preventDefault();
  const button = document.querySelector(`[data-wish=${name}]`);
  if (button.getAttribute("aria-disabled") !== "true") wish(name);
});

const asked = new URLSearchParams(location.search).get("lang");
language = LANGUAGES.includes(asked) ? asked : LANGUAGES.find((each) => navigator.language.startsWith(each)) || "en";
dress();
setInterval(tick, 250);
// The token may come in the address, behind the #: that part is never sent to any server. It is taken out of sight.
const found = new URLSearchParams(location.hash.slice(1)).get("token");
if (found) history.replaceState(null, "", location.pathname + location.search);
let kept = null;
try { kept = sessionStorage.getItem("token"); } catch { /* nothing is kept then */ }
if (found || kept) enter(found || kept);
