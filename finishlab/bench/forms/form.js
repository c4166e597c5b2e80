// The form's hands and eyes, nothing more: it draws the page that Python describes, moves on
// when Enter is pressed, runs the stopwatch, and sends back what was typed, as text. What a
// number means, what is wrong and what is saved is decided in Python. Text is only ever set as
// text, so nothing that a shop types can become markup.
//
// What is typed and not saved yet, and where the bench stands, is kept in the browser: a page
// that is loaded again, a new kernel or a closed lid goes on from there. Python takes it up
// (`session.py`); what was typed is shown again with a line that says that it is not saved.
//
// Python may be gone: a kernel dies, the tablet's server is off. So the page asks once a second
// whether it is there, and again with every press; without an answer it says so within 3 seconds.

const node = (tag, look, text) => {
  const made = document.createElement(tag);
  if (look) made.className = look;
  if (text !== undefined && text !== null) made.textContent = text;
  return made;
};
// A browser may forbid it; then only this page remembers.
const memory = {
  read(name) { try { return JSON.parse(localStorage.getItem(name)); } catch { return null; } },
  write(name, value) { try { localStorage.setItem(name, JSON.stringify(value)); } catch { /* as above */ } },
};
// Among what is typed: the stopwatch as it was pressed, until Python has it.
const CLOCK = "the stopwatch";
const clockText = (s) => `${Math.floor(s / 60)}:${String(Math.floor(s % 60)).padStart(2, "0")}`;

function render({ model, el }) {
  el.classList.add("finish-form");
  // Without it the notebook takes Enter and the letters for its own commands.
  el.setAttribute("data-lm-suppress-shortcuts", "true");
  const body = node("div", "f-page");
  el.append(body);
  let typed = {}; // what was typed and not yet saved, by field
  let entry = null;
  let place = ""; // what is typed here is about: a trial and a step
  let saving = false; // the last press was one that saves
  let touched = false;
  let ticking = null;
  let busy = false;
  let fresh = false; // what is drawn is another page than before
  let drawn = 0; // when a new page came: the second half of a double tap must not land on it

  const inputs = () => [...body.querySelectorAll("input.f-input, select.f-input")];
  const fields = () => Object.fromEntries(inputs().map((i) => [i.name, i.value]));
  const send = (message) => {
    try { model.send({ entry, ...message }); } catch { /* no line to Python any more: no answer will come */ }
  };
  const say = (message) => { touched = true; send(message); ask(); };
  const kept = () => model.get("kept").as;
  const drafts = () => memory.read(`${kept()} typed`) || {};
  const remember = () => {
    if (!place) return;
    const all = drafts();
    if (Object.keys(typed).length) all[place] = typed;
    else delete all[place];
    memory.write(`${kept()} typed`, all);
  };
  const act = (action) => {
    if (busy || performance.now() - drawn < 350) return;
    busy = true; // until Python has answered
    saving = action.kind === "primary";
    const green = body.querySelector(".f-message.f-ok");
    if (saving && green) { // what was saved before is no answer to this press; the box keeps its height under the finger
      green.style.minHeight = `${green.offsetHeight}px`;
      green.className = "f-message f-saving";
      green.replaceChildren(node("p", "f-strong", "Saving ..."));
    }
    say({ do: action.do, arg: action.arg ?? null, fields: fields() });
  };

  // --- is Python there? ---

  const HALF = 500; // milliseconds of a beat; a sleeping tablet has none, so sleep is no silence
  const me = String(Math.random()); // one form may be shown twice
  const config = JSON.parse(document.getElementById("jupyter-config-data")?.textContent || "{}");
  let asked = 0;
  let answered = 0;
  let rest = 0; // beats since the last answer
  let silent = 0; // beats without the answer that was asked for
  let gone = 0; // how often the server said that this page's kernel is not at work

  const ask = () => { asked += 1; send({ do: "there", arg: { me, asked } }); };
  const heard = (message) => {
    if (message.there?.me !== me) return;
    answered = Math.max(answered, message.there.asked);
    if (answered < asked) return;
    rest = silent = gone = 0;
    body.querySelector(".f-lost")?.remove();
    if (typed[CLOCK]) { delete typed[CLOCK]; remember(); } // Python keeps the stopwatch now
  };
  const beat = () => {
    if (document.hidden || !el.offsetParent) { silent = 0; return; }
    if (answered >= asked) { rest += 1; if (rest >= 2) { rest = 0; ask(); } return; }
    silent += 1;
    if (silent >= (busy ? 5 : 4)) lost();
    if (silent % 10 === 0) ask(); // the line may be there again, and what was sent meanwhile lost
    if (silent % 4 === 0) comeBack();
  };

  function lost() {
    if (body.querySelector(".f-lost") && !busy) return;
    const pressed = busy && saving;
    busy = saving = false;
    const told = [config.kernelId
      ? "Wait a moment: this page goes on by itself. If it does not, ask for the tablet page to be started again."
      : "Run the notebook again: Run, then Run All Cells. If nothing changes, restart its kernel first."];
    if (pressed) told.push("Then look under 'Logged today', and press Save again if the entry is not there.");
    body.querySelectorAll(".f-ok, .f-bad, .f-saving").forEach((m) => m.remove());
    const box = parts.message({ kind: "bad", list: ["What you typed is kept on this page.", ...told], text: pressed
      ? "Not saved, as far as this page knows: the program behind it does not answer."
      : "Nothing can be saved now: the program behind this page does not answer." });
    box.classList.add("f-lost");
    body.prepend(box);
    if (pressed) box.scrollIntoView({ block: "nearest" });
  }

  // On the tablet the page is loaded anew once its server is there again but not its kernel; one at work is waited for.
  async function comeBack() {
    if (!config.kernelId) return;
    try {
      const found = await fetch(`${config.baseUrl}api/kernels/${config.kernelId}`, { cache: "no-store" });
      const state = found.ok ? (await found.json()).execution_state : "gone";
      gone = state === "busy" ? 0 : gone + 1;
    } catch { return; } // no server
    if (gone >= 2 && silent) location.reload();
  }

  function field(spec) {
    const row = node("div", `f-field f-${spec.name}`);
    const id = `f-${entry}-${spec.name}`;
    const label = node("label", "f-label", spec.label);
    label.htmlFor = id;
    let input;
    if (spec.options) {
      input = node("select", "f-input");
      spec.options.forEach(([value, text]) => {
        const option = node("option", "", text);
        option.value = value;
        input.append(option);
      });
    } else {
      input = node("input", "f-input");
      input.type = "text";
      input.inputMode = spec.keys || "decimal";
      input.enterKeyHint = "next";
      input.autocomplete = "off";
      input.spellcheck = false;
      input.placeholder = spec.hint || "";
    }
    input.id = id;
    input.name = spec.name;
    input.dataset.shown = spec.value ?? "";
    input.value = typed[spec.name] ?? input.dataset.shown;
    input.setAttribute("aria-describedby", `${id}-note`);
    // A browser tells of a change also when the field is taken away with its page; that is no reading of the next.
    const mine = entry;
    const taken = () => { typed[spec.name] = input.value; remember(); };
    input.addEventListener("input", () => { if (mine === entry) taken(); });
    input.addEventListener("change", () => {
      if (mine !== entry) return;
      taken();
      if (spec.look) say({ do: "look", arg: spec.name, fields: fields() });
    });
    input.addEventListener("keydown", (event) => {
      if (event.key !== "Enter" || event.isComposing) return;
      event.preventDefault();
      const all = inputs();
      const next = all[all.indexOf(input) + 1];
      input.dispatchEvent(new Event("change"));
      if (next) { next.focus(); if (next.select) next.select(); }
      else body.querySelector("button.f-primary")?.click();
    });
    const box = node("div", "f-box");
    box.append(input);
    if (spec.unit) box.append(node("span", "f-unit", spec.unit));
    const note = node("div", "f-note");
    note.id = `${id}-note`;
    note.setAttribute("aria-live", "polite");
    row.append(label, box, note);
    return row;
  }

  function button(action) {
    const made = node("button", `f-button f-${action.kind || "quiet"} f-do-${action.do}`, action.label);
    made.type = "button";
    if (action.pressed !== undefined) made.setAttribute("aria-pressed", String(action.pressed));
    made.addEventListener("click", () => act(action));
    return made;
  }

  function stopwatch(spec) {
    const row = node("div", "f-clock");
    const face = node("span", "f-face");
    face.setAttribute("role", "timer");
    const press = node("button", "f-button f-clock-press");
    press.type = "button";
    let before = spec.seconds;
    // The clock of the day: it goes on while the lid is closed.
    let since = spec.running ? Date.now() : null;
    const tell = () => say({ do: "clock", arg: { running: since !== null, seconds: seconds() } });
    if (fresh && typed[CLOCK]) { // pressed while Python was gone
      ({ before, since } = typed[CLOCK]);
      setTimeout(tell);
    }
    const seconds = () => before + (since === null ? 0 : (Date.now() - since) / 1000);
    const draw = () => {
      face.textContent = clockText(seconds());
      press.textContent = since !== null ? spec.stop : before ? spec.more : spec.start;
      press.classList.toggle("f-running", since !== null);
    };
    press.addEventListener("click", () => {
      if (since === null) since = Date.now();
      else {
        before = seconds();
        since = null;
        const input = inputs().find((i) => i.name === spec.field.name);
        if (input) {
          input.value = (before / 60).toFixed(2);
          input.dispatchEvent(new Event("change"));
          const next = inputs().find((i) => i !== input && !i.value);
          if (next) next.focus();
        }
      }
      typed[CLOCK] = { before, since };
      remember();
      tell();
      draw();
    });
    ticking = setInterval(draw, 250);
    draw();
    row.append(face, press, field(spec.field));
    return row;
  }

  function countdown(spec) {
    const line = node("p", "f-wait");
    const end = Date.now() + spec.seconds * 1000;
    const draw = () => {
      const left = (end - Date.now()) / 1000;
      line.textContent = left > 0 ? `${spec.text} ${clockText(left)} to go.${spec.meanwhile}` : spec.over;
      line.classList.toggle("f-over", left <= 0);
    };
    const timer = setInterval(() => (line.isConnected ? draw() : clearInterval(timer)), 500);
    draw();
    return line;
  }

  function table(spec) {
    const part = node("section", "f-today");
    part.append(node("h3", "", spec.title));
    if (!spec.rows.length) { part.append(node("p", "f-quiet-text", spec.none)); return part; }
    const made = node("table", "");
    const head = node("tr");
    spec.columns.forEach((c) => head.append(node("th", "", c)));
    if (spec.rows.some((r) => r.action)) head.append(node("th", "", ""));
    const thead = node("thead");
    thead.append(head);
    const rows = node("tbody");
    spec.rows.forEach((r) => {
      const row = node("tr");
      r.cells.forEach((c) => row.append(node("td", "", c)));
      if (r.action) {
        const cell = node("td");
        cell.append(button(r.action));
        row.append(cell);
      }
      rows.append(row);
    });
    made.append(thead, rows);
    const wide = node("div", "f-scroll");
    wide.append(made);
    part.append(wide);
    return part;
  }

  const parts = {
    message: (p) => {
      const box = node("div", `f-message f-${p.kind}`);
      box.setAttribute("role", p.kind === "bad" ? "alert" : "status");
      box.append(node("p", "f-strong", p.text));
      if (p.list.length) {
        const list = node("ul");
        p.list.forEach((t) => list.append(node("li", "", t)));
        box.append(list);
      }
      if (p.action) box.append(button(p.action));
      return box;
    },
    head: (p) => {
      const bar = node("div", "f-head");
      bar.append(node("span", "f-who", p.text));
      p.actions.forEach((a) => bar.append(button(a)));
      return bar;
    },
    title: (p) => {
      const box = node("div", "f-title");
      box.append(node("h2", "f-panel", p.text));
      if (p.sub) box.append(node("p", "f-sub", p.sub));
      return box;
    },
    steps: (p) => {
      const list = node("ol", "f-steps");
      p.steps.forEach((s) => {
        const item = node("li", `f-step f-is-${s.state}`);
        if (s.state === "now") item.setAttribute("aria-current", "step");
        item.append(node("span", "f-step-name", s.name), node("span", "f-step-text", s.text));
        if (s.mark) item.append(node("span", "f-step-mark", s.mark));
        list.append(item);
      });
      return list;
    },
    text: (p) => node("p", `f-text ${p.look || ""}`, p.text),
    clock: stopwatch,
    wait: countdown,
    group: (p) => {
      const set = node("fieldset", "f-group");
      if (p.label) set.append(node("legend", "", p.label));
      p.fields.forEach((f) => set.append(field(f)));
      return set;
    },
    actions: (p) => {
      const bar = node("div", `f-actions ${p.look || ""}`);
      if (p.label) bar.append(node("span", "f-label", p.label));
      p.actions.forEach((a) => bar.append(button(a)));
      return bar;
    },
    table,
  };

  function draw() {
    const page = model.get("page");
    busy = false;
    clearInterval(ticking);
    const active = body.contains(document.activeElement) ? document.activeElement : {};
    const held = active.name;
    // Where typing stood: what was selected there is still to be replaced by the next digit.
    const { selectionStart, selectionEnd } = active;
    const same = page.entry === entry;
    fresh = !same;
    if (fresh) turn(page);
    body.replaceChildren(...(page.parts || []).map((p) => parts[p.is](p)));
    if (!same) again();
    notes();
    const wanted = same && held ? held : page.focus;
    const target =
      (wanted && inputs().find((i) => i.name === wanted)) ||
      (wanted && body.querySelector(`button.f-${wanted}`)) || null;
    // A page that was only opened must not scroll the notebook to itself.
    if (target) target.focus({ preventScroll: !touched });
    if (same && held && target?.name === held && target.setSelectionRange) {
      target.setSelectionRange(selectionStart, selectionEnd);
    }
    if (touched && !same) body.querySelector(".f-message, .f-title")?.scrollIntoView({ block: "nearest" });
  }

  // A new page: what was typed on the one before is done with when it was saved, or was about no step.
  function turn(page) {
    if (entry !== null && (saving || !place.startsWith("trial/"))) { typed = {}; remember(); }
    drawn = entry === null ? 0 : performance.now();
    saving = false;
    entry = page.entry;
    place = page.place;
    typed = (place && drafts()[place]) || {};
  }

  // Say what stands here from before, which nobody has saved.
  function again() {
    const from = inputs().filter((i) => typed[i.name] && typed[i.name] !== i.dataset.shown);
    if (!from.length) return;
    const told = node("p", "f-message f-typed", "Typed here before and not saved yet. Look it over, then save.");
    told.setAttribute("role", "status");
    from[0].closest("fieldset, .f-clock").before(told);
  }

  function notes() {
    const all = model.get("notes");
    if (all.entry !== entry) return;
    Object.entries(all.fields).forEach(([name, { text, kind }]) => {
      const row = inputs().find((i) => i.name === name)?.closest(".f-field");
      if (!row) return;
      row.querySelector(".f-note").textContent = text;
      row.classList.toggle("f-wrong", kind === "bad");
      row.classList.toggle("f-doubt", kind === "doubt");
      row.querySelector(".f-input").setAttribute("aria-invalid", String(kind === "bad"));
    });
  }

  const keep = () => memory.write(kept(), model.get("kept").session);
  model.on("change:page", draw);
  model.on("change:notes", notes);
  model.on("change:kept", keep);
  model.on("msg:custom", heard);
  const before = memory.read(kept());
  draw();
  // Before anything of this page is kept: what the browser has from the page before it.
  send({ do: "again", arg: before });
  const beating = setInterval(beat, HALF);
  return () => {
    clearInterval(ticking);
    clearInterval(beating);
    model.off("msg:custom", heard);
    model.off("change:page", draw);
    model.off("change:notes", notes);
    model.off("change:kept", keep);
  };
}

export default { render };
