// Plays the call that is in the page itself: frames of (time, scene, caption). Nothing is fetched.
"use strict";

const PACES = ["1/50", "1/20", "1/10", "1/4", "1/2", "1", "2", "4"];

function paceOf(text) {
  const [above, below] = text.split("/").map(Number);
  return above / (below || 1);
}

// Parts that do not change from one scene to the next are in the page once; a scene names them by number.
function unpack(call) {
  const part = (number) => call.parts[number];
  const scenes = call.scenes.map((scene) => ({ ...scene, caller: part(scene.caller), called: part(scene.called), switches: scene.switches.map(part) }));
  const track = (frames) => frames && frames.map(([at, scene, caption]) => ({ at, scene: scenes[scene], caption: call.captions[caption] }));
  return { plain: track(call.frames), unfolded: track(call.unfolded) };
}

class Player {
  constructor(stage, call) {
    this.stage = stage;
    this.call = call;
    this.tracks = unpack(call);
    const asked = new URLSearchParams(location.search);
    this.track = "plain";
    this.at = 0;
    this.shown = -1;
    this.playing = false;
    this.again = call.again || asked.has("loop");
    this.pace = PACES.includes(asked.get("pace")) ? asked.get("pace") : call.pace;
    for (const pace of PACES) $("pace").append(new Option(pace, pace));
    $("pace").value = this.pace;
    $("unfolded").hidden = !this.tracks.unfolded;
    $("full").hidden = !document.fullscreenEnabled;
    $("play").addEventListener("click", () => this.run(!this.playing));
    $("back").addEventListener("click", () => this.go(this.shown - 1));
    $("forward").addEventListener("click", () => this.go(this.shown + 1));
    $("again").addEventListener("click", () => { this.again = !this.again; this.dress(); });
    $("unfolded").addEventListener("click", () => this.unfold(this.track === "plain"));
    $("full").addEventListener("click", () => this.full());
    $("pace").addEventListener("change", () => { this.pace = $("pace").value; this.show(true); });
    $("place").addEventListener("input", () => { this.at = Number($("place").value); this.show(); });
    document.addEventListener("keydown", (event) => this.key(event));
    document.addEventListener("language", () => this.dress());
    document.addEventListener("fullscreenchange", () => this.dress());
    if (asked.has("unfolded") || call.begin_unfolded) this.unfold(true);
    this.show(true);
    this.dress();
    if ((call.playing || asked.has("play")) && !matchMedia("(prefers-reduced-motion: reduce)").matches) this.run(true);
  }

  get frames() { return this.tracks[this.track]; }

  get end() { return this.track === "plain" ? this.call.end : this.call.unfolded_end; }

  dress() {
    const words = WORDS[this.stage.language];
    for (const [id, word] of [["back", "back"], ["forward", "forward"], ["place", "place"]]) {
      $(id).setAttribute("aria-label", words[word]);
      $(id).title = words[word];
    }
    $("control").setAttribute("aria-label", words.controls);
    text($("again"), words.again);
    text($("unfolded"), words.unfolded);
    text($("full"), words.full);
    text($("pace-name"), words.speed);
    text($("keys"), words.keys);
    set($("play"), "aria-label", this.playing ? words.pause : words.play);
    set($("again"), "aria-pressed", this.again);
    set($("unfolded"), "aria-pressed", this.track === "unfolded");
    set($("full"), "aria-pressed", Boolean(document.fullscreenElement));
    document.body.classList.toggle("playing", this.playing);
    this.count();
  }

  count() {
    const words = fill(WORDS[this.stage.language].step, { n: this.shown + 1, m: this.frames.length });
    text($("step"), words);
    set($("place"), "aria-valuetext", words);
  }

  index() {
    let low = 0, high = this.frames.length;
    while (high - low > 1) {
      const middle = (low + high) >> 1;
      if (this.frames[middle].at <= this.at) low = middle; else high = middle;
    }
    return low;
  }

  // The frame of this moment.
  show(anew) {
    const index = this.index();
    if ($("place").max !== String(this.end)) $("place").max = this.end;
    $("place").value = this.at;
    if (index !== this.shown || anew) this.turn(index);
  }

  turn(index) {
    this.shown = index;
    const { scene, caption } = this.frames[index];
    this.stage.show({
      scene, caption, what: this.call.what, blank: false, language: this.call.language, replay: true,
      pace: this.pace === "1" ? "" : this.pace, pulses: this.call.pulses,
    });
    document.documentElement.dataset.step = index;
    this.count();
  }

  run(on) {
    this.playing = on;
    if (on && this.at >= this.end) this.at = 0;
    this.dress();
    if (!on) return;
    let before = null;
    const next = (now) => {
      if (!this.playing) return;
      // A page that was out of sight goes on where it was.
      if (before !== null) this.at += Math.min(now - before, 500) * 1000 * paceOf(this.pace);
      before = now;
      if (this.at >= this.end) {
        if (this.again) this.at = 0; else { this.at = this.end; this.show(); this.run(false); return; }
      }
      this.show();
      requestAnimationFrame(next);
    };
    requestAnimationFrame(next);
  }

  // To one frame; of several frames of one instant each has its turn.
  go(index) {
    if (this.playing) this.run(false);
    const to = Math.min(this.frames.length - 1, Math.max(0, index));
    this.at = this.frames[to].at;
    $("place").value = this.at;
    this.turn(to);
  }

  unfold(on) {
    const track = on && this.tracks.unfolded ? "unfolded" : "plain";
    if (track === this.track) return;
    const number = this.shown >= 0 ? this.frames[this.shown].scene.number : 0;
    this.track = track;
    const same = this.frames.findIndex((each) => each.scene.number >= number);
    this.at = this.frames[same < 0 ? this.frames.length - 1 : same].at;
    this.show(true);
    this.dress();
  }

  full() {
    if (document.fullscreenElement) document.exitFullscreen(); else document.documentElement.requestFullscreen();
  }

  key(event) {
    if (event.ctrlKey || event.altKey || event.metaKey || event.target.matches("select")) return;
    const faster = (by) => {
      this.pace = PACES[Math.min(PACES.length - 1, Math.max(0, PACES.indexOf(this.pace) + by))];
      $("pace").value = this.pace;
      this.show(true);
    };
    const does = {
      ArrowLeft: () => this.go(this.shown - 1), ArrowRight: () => this.go(this.shown + 1), Home: () => this.go(0), End: () => this.go(this.frames.length - 1),
      "+": () => faster(1), "-": () => faster(-1), o: () => $("again").click(), u: () => this.unfold(this.track === "plain"), f: () => this.full(),
      " ": () => this.run(!this.playing),
    }[event.key.length === 1 ? event.key.toLowerCase() : event.key];
    if (!does || (event.key === " " && event.target.matches("button"))) return;
    event.preventDefault();
    does();
  }
}

new Player(new Stage(), JSON.parse($("call").textContent));
