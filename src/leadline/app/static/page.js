// What the page does in the browser alone: the cursor, handles on the profile, night, and remembering.
(() => {
  let shown = null; // the plan that is shown: points, levels, ids of the pictures
  let at = Infinity; // the run time at the cursor
  let dragging = false;
  let find = () => null;
  let emit = () => {};

  const chart = (id) => find(id)?.chart;
  const AXES = { xAxisIndex: 0, yAxisIndex: 0 };

  // --- One cursor over run time: everything at that minute is read out.

  function read(runTime) {
    if (!shown?.points.t.length) return;
    const points = shown.points;
    let i = 0;
    while (i + 1 < points.t.length && points.t[i + 1] <= runTime + 1e-6) i++;
    for (const cell of document.querySelectorAll("[data-read]")) cell.textContent = points[cell.dataset.read][i];
    chart(shown.tissues)?.setOption({ series: [{ data: points.tissues[i] }] });
    at = runTime;
  }

  function step(minutes) {
    const times = shown.points.t;
    const end = times[times.length - 1];
    const to = Math.max(0, Math.min(end, Math.round((Number.isFinite(at) ? Math.min(at, end) : 0) + minutes)));
    const dive = chart(shown.dive);
    const pixel = dive.convertToPixel(AXES, [to, 0]);
    dive.dispatchAction({ type: "updateAxisPointer", x: pixel[0], y: pixel[1] + 5 });
    read(to);
    const cells = [...document.querySelectorAll("[data-read]")];
    const said = cells.map((cell) => `${cell.previousElementSibling.textContent} ${cell.textContent}`);
    document.getElementById("cursor-said").textContent = said.join(", ");
  }

  // --- Handles: drag a level's depth and the time it is left.

  function handles(dive) {
    if (dragging || !shown || !dive.getOption()?.series?.length) return;
    const places = shown.levels.map((level) => dive.convertToPixel(AXES, level));
    const ink = getComputedStyle(document.body).getPropertyValue("--ink").trim();
    const placed = JSON.stringify([places, ink]);
    const there = dive.getOption().graphic?.[0]?.elements ?? [];
    if (dive.leadlinePlaced === placed && there.length >= places.length) return;
    dive.leadlinePlaced = placed;
    const gone = there.slice(places.length).map((element) => ({ id: element.id, $action: "remove" }));
    dive.setOption({
      graphic: places.map(([x, y], i) => ({
        id: `level-${i}`, $action: "replace", type: "circle", shape: { r: 10 }, x, y, z: 100, draggable: true,
        style: { fill: "rgba(230,159,0,0.85)", stroke: ink, lineWidth: 2 }, cursor: "move",
        ondragstart() { dragging = true; },
        ondragend() {
          dragging = false;
          dive.leadlinePlaced = "";
          const [minutes, depth] = dive.convertFromPixel(AXES, [this.x, this.y]);
          emit("leadline_drag", { level: i, minutes, depth });
          setTimeout(() => handles(dive), 600); // back to its place, should nothing have come of it
        },
      })).concat(gone),
    });
  }

  function watch(dive) {
    dive.leadlineWatched = true;
    dive.on("updateAxisPointer", (event) => {
      const axis = event.axesInfo?.find((info) => info.axisDim === "x");
      if (axis) read(axis.value);
    });
    dive.on("finished", () => handles(dive)); // after every change and every resize
    dive.getDom().addEventListener("keydown", (event) => {
      const minutes = { ArrowLeft: -1, ArrowRight: 1, PageUp: -10, PageDown: 10, Home: -1e6, End: 1e6 }[event.key];
      if (minutes && shown) { step(minutes); event.preventDefault(); }
    });
  }

  document.documentElement.lang = "en";
  const name = () => document.querySelector(".cm-content")?.setAttribute("aria-label", "The dive file");

  window.leadlineShow = (given, finder, emitter) => {
    shown = given;
    find = finder;
    emit = emitter;
    const wait = () => {
      const dive = chart(shown.dive);
      if (!dive || !dive.getOption()?.series?.length) return setTimeout(wait, 40);
      if (!dive.leadlineWatched) watch(dive);
      name();
      handles(dive);
      read(at);
    };
    wait();
  };

  // --- The browser remembers the draft, so that it survives a restart of the server. A tab has its own; a new tab begins
  // with the last of all.

  const stores = () => { try { return [sessionStorage, localStorage]; } catch { return []; } };
  const store = (name, value) => { for (const one of stores()) { try { one.setItem(name, value); } catch { /* full: not kept */ } } };
  const kept = (name) => { for (const one of stores()) { const value = one.getItem(name); if (value !== null) return value; } return null; };
  let unsaved = false;
  const isNight = () => kept("leadline.night") === "1";
  window.leadlineRemembered = () => {
    let draft = {};
    try { draft = JSON.parse(kept("leadline.draft") ?? "{}"); } catch { /* of no use */ }
    return { text: draft.text, saved: draft.saved, first: draft.first, night: isNight() };
  };
  window.leadlineRemember = (draft) => {
    store("leadline.draft", JSON.stringify(draft));
    unsaved = draft.text !== draft.saved;
  };
  window.leadlineFirstTime = () => { const first = kept("leadline.seen") === null; store("leadline.seen", "1"); return first; };
  window.addEventListener("beforeunload", (event) => {
    // When the server was away the page loads itself anew, and the draft comes back: nothing to warn of.
    const lost = document.getElementById("popup")?.ariaHidden === "false";
    if (unsaved && !lost) event.preventDefault();
  });

  // --- Opening a dive file, or files of dives: the browser's own dialog. The same file may be chosen again.

  window.leadlineChooseFile = (uploader) => {
    const input = document.querySelector(`${uploader} input[type=file]`);
    if (input) { input.value = ""; input.click(); }
  };

  // --- The log is opened when it comes into sight, and looked at again whenever it does.

  window.leadlineWatchLog = (emitter) => {
    const seen = (entries) => { if (entries.some((entry) => entry.isIntersecting)) emitter("leadline_log"); };
    new IntersectionObserver(seen).observe(document.getElementById("the-log"));
  };

  // --- Night, for a dark boat.

  const dark = (on) => document.body.classList.toggle("night", on);
  window.leadlineNight = (emitter) => { store("leadline.night", isNight() ? "" : "1"); dark(isNight()); emitter("leadline_night", isNight()); };
  dark(isNight());
})();
