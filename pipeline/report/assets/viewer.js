"use strict";
// The viewer of a visit's page: pictures of a clip with the skeleton, and a cursor that all curves share.
// Everything that it shows, words too, stands in the page; it asks nothing of any network.
document.addEventListener("DOMContentLoaded", () => {
  const panel = document.getElementById("viewer-panel");
  const data = JSON.parse(document.getElementById("viewer-data").textContent);
  const { words, limbs } = data;
  const curves = new Map(data.curves.map((curve) => [curve.id, curve]));
  const [WIDTH, HEIGHT] = data.size;
  // A gap between two walks is passed over in this time. [s]
  const LONGEST_STAY = 0.2;

  const part = (name) => panel.querySelector(`[data-part="${name}"]`);
  const canvas = part("canvas"), skeleton = part("skeleton"), strip = part("strip"), slider = part("slider");
  const clipChoice = part("clip"), curveChoice = part("curve"), speedChoice = part("speed"), overlay = part("overlay");
  const fill = (text, values) => text.replace(/\{(\w+)\}/g, (all, name) => (name in values ? values[name] : all));
  const seconds = (time) => fill(words.time, { seconds: time.toFixed(2) });

  let clip = null; // the chosen clip
  let frame = 0; // the picture shown, from 0
  let playing = false;
  let lastTick = null; // [ms]
  let owed = 0; // time played since the picture was put up [s]
  let scale = null; // from times to places in the strip
  const images = new Map(); // picture elements of the chosen clip by number

  // --- small helpers -------------------------------------------------------------------------------------------
  function svg(name, attributes, parent, text) {
    const element = document.createElementNS(strip.namespaceURI, name);
    for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
    if (text !== undefined) element.textContent = text;
    parent.append(element);
    return element;
  }

  function html(name, text, parent, className) {
    const element = document.createElement(name);
    element.textContent = text;
    if (className) element.className = className;
    parent.append(element);
    return element;
  }

  // The picture nearest a contact may lie just outside the stride: it counts as 0 or 100 % of it.
  function strideAt(limb, time) {
    const within = (room) => (one) => one.limb === limb && one.start - room <= time && time < one.end + room;
    return clip.strides.find(within(0)) ?? clip.strides.find(within((clip.times[1] - clip.times[0]) / 2));
  }

  function percentAt(stride, time) {
    return Math.min(Math.max((100 * (time - stride.start)) / (stride.end - stride.start), 0), 100);
  }

  function nearestFrame(time) {
    let best = 0;
    clip.times.forEach((one, i) => {
      if (Math.abs(one - time) < Math.abs(clip.times[best] - time)) best = i;
    });
    return best;
  }

  // Contacts and toe-offs of the measured strides, in order of time.
  function eventsOf(one) {
    const found = new Map();
    for (const stride of one.strides) {
      for (const [kind, time] of [["contact", stride.start], ["contact", stride.end], ["toe_off", stride.toe_off]]) {
        if (time !== null) found.set(`${stride.limb} ${kind} ${time}`, { limb: stride.limb, kind, time });
      }
    }
    return [...found.values()].sort((a, b) => a.time - b.time);
  }

  // --- the picture ---------------------------------------------------------------------------------------------
  function image(number) {
    if (!images.has(number)) {
      const one = new Image();
      one.src = `data:image/webp;base64,${clip.pictures[number]}`;
      images.set(number, one);
    }
    return images.get(number);
  }

  function drawPicture() {
    const wanted = frame, one = image(wanted), from = clip;
    const draw = () => {
      if (clip === from && frame === wanted) canvas.getContext("2d").drawImage(one, 0, 0, WIDTH, HEIGHT);
    };
    if (one.complete) draw();
    else one.addEventListener("load", draw, { once: true });
    for (let ahead = 1; ahead <= 5 && wanted + ahead < clip.times.length; ahead += 1) image(wanted + ahead);
    canvas.setAttribute("aria-label", fill(words.picture, { time: seconds(clip.times[wanted]) }));
    part("grey").hidden = !clip.grey.includes(wanted);
  }

  function drawSkeleton() {
    skeleton.replaceChildren();
    if (!overlay.checked) return;
    const points = clip.points[frame];
    const at = (i) => (points[2 * i] === null ? null : [points[2 * i], points[2 * i + 1]]);
    // Dark edges first, so that lines show on light and on dark clothes.
    for (const layer of ["edge", "line"]) {
      const draw = (a, b, style) => {
        if (a && b) svg("line", { x1: a[0], y1: a[1], x2: b[0], y2: b[1], class: `${layer} ${style}` }, skeleton);
      };
      for (const joint of data.across) draw(at(limbs[0].first + joint), at(limbs[1].first + joint), "solid");
      for (const limb of limbs) {
        for (const [a, b] of data.lines) draw(at(limb.first + a), at(limb.first + b), limb.line);
      }
    }
    for (const limb of limbs) {
      for (const joint of data.lettered) {
        const place = at(limb.first + joint);
        if (place) svg("text", { x: place[0] + 8, y: place[1] - 4 }, skeleton, limb.letter);
      }
    }
  }

  // --- the strip of curves -------------------------------------------------------------------------------------
  function niceStep(span, most) {
    const rough = span / most, power = 10 ** Math.floor(Math.log10(rough));
    return power * [1, 2, 5, 10].find((step) => step * power >= rough);
  }

  function drawStrip() {
    const width = Math.max(strip.clientWidth, 200), height = strip.clientHeight;
    const box = { left: 44, right: width - 12, top: 26, bottom: height - 62 };
    strip.replaceChildren();
    strip.setAttribute("viewBox", `0 0 ${width} ${height}`);
    const name = curveChoice.value;
    const title = curves.get(name)?.name ?? "";
    strip.setAttribute("aria-label", fill(words.strip, { curve: title }));
    svg("text", { x: box.left, y: 14, class: "title" }, strip, title);
    const first = clip.times[0], last = clip.times[clip.times.length - 1];
    const x = (time) => box.left + ((time - first) / (last - first || 1)) * (box.right - box.left);
    scale = { x, time: (place) => first + ((place - box.left) / (box.right - box.left)) * (last - first) };

    const shown = clip.strides.filter((stride) => stride.curves[name]);
    const values = shown.flatMap((stride) => stride.curves[name].filter((value) => value !== null));
    if (values.length) {
      const low = Math.min(...values), high = Math.max(...values), room = 0.06 * (high - low) || 1;
      const y = (value) => box.bottom - ((value - low + room) / (high - low + 2 * room)) * (box.bottom - box.top);
      const step = niceStep(high - low || 1, 4);
      for (let tick = Math.ceil(low / step) * step; tick <= high; tick += step) {
        svg("line", { x1: box.left, x2: box.right, y1: y(tick), y2: y(tick), class: "grid" }, strip);
        const label = String(Number(tick.toPrecision(4))).replace("-", "\u2212");
        svg("text", { x: box.left - 6, y: y(tick) + 4, "text-anchor": "end" }, strip, label);
      }
      for (const stride of shown) {
        let path = "", pen = "M";
        stride.curves[name].forEach((value, i) => {
          if (value === null) {
            pen = "M";
            return;
          }
          const time = stride.start + (i * data.every_pct * (stride.end - stride.start)) / 100;
          path += `${pen}${x(time).toFixed(1)} ${y(value).toFixed(1)}`;
          pen = "L";
        });
        const far = stride.far && curves.get(name)?.near_only ? " far" : "";
        svg("path", { d: path, class: `curve ${limbs[stride.limb].line}${far}` }, strip);
      }
    }
    drawStances(x, box);
    const step = niceStep(last - first, Math.min(10, width / 70));
    for (let tick = Math.ceil(first / step) * step; tick <= last; tick += step) {
      svg("text", { x: x(tick), y: height - 4, "text-anchor": "middle" }, strip, seconds(tick).replace(/\.?0+ /, " "));
      svg("line", { x1: x(tick), x2: x(tick), y1: height - 20, y2: height - 16, class: "axis" }, strip);
    }
    svg("line", { x1: box.left, x2: box.right, y1: height - 20, y2: height - 20, class: "axis" }, strip);
    svg("line", { y1: box.top - 4, y2: height - 20, class: "cursor", "data-part": "cursor" }, strip);
    drawKey(name);
    moveCursors();
  }

  // A row for each limb under the curves: a bar while the foot stands, a stroke at contact, a ring at toe-off.
  function drawStances(x, box) {
    limbs.forEach((limb, number) => {
      const y = box.bottom + 14 + 17 * number;
      svg("text", { x: box.left - 6, y: y + 4, "text-anchor": "end" }, strip, limb.letter);
      for (const stride of clip.strides.filter((one) => one.limb === number && one.toe_off !== null)) {
        svg("line", { x1: x(stride.start), x2: x(stride.toe_off), y1: y, y2: y, class: `stance ${limb.line}` }, strip);
      }
      for (const event of eventsOf(clip).filter((one) => one.limb === number)) {
        const place = x(event.time);
        if (event.kind === "contact") {
          svg("line", { x1: place, x2: place, y1: y - 7, y2: y + 7, class: `contact ${limb.line}` }, strip);
        } else svg("circle", { cx: place, cy: y, r: 4, class: `toe-off ${limb.line}` }, strip);
      }
    });
  }

  // What the lines and marks of the strip mean, in words.
  function drawKey(name) {
    const key = part("key");
    key.replaceChildren();
    const entry = (text, draw) => {
      const item = html("li", "", key);
      draw(svg("svg", { viewBox: "0 0 34 14", width: 34, height: 14, "aria-hidden": "true" }, item));
      html("span", text, item);
    };
    const line = (classes) => (sample) => svg("line", { x1: 1, x2: 33, y1: 7, y2: 7, class: classes }, sample);
    limbs.forEach((limb, number) => {
      const own = clip.strides.filter((one) => one.limb === number && one.curves[name]);
      const isFar = (one) => one.far && curves.get(name)?.near_only;
      if (own.some((one) => !isFar(one))) entry(limb.name, line(`curve ${limb.line}`));
      if (own.some(isFar)) entry(fill(words.far, { limb: limb.name }), line(`curve ${limb.line} far`));
      if (!own.length) entry(`${limb.name}: ${words.not_in_view}`, () => {});
    });
    const kinds = new Set(eventsOf(clip).map((event) => event.kind));
    if (kinds.has("contact")) {
      entry(words.contact, (sample) => svg("line", { x1: 17, x2: 17, y1: 0, y2: 14, class: "contact" }, sample));
    }
    if (kinds.has("toe_off")) {
      entry(words.toe_off, (sample) => svg("circle", { cx: 17, cy: 7, r: 4, class: "toe-off" }, sample));
      entry(words.stance, line("stance"));
    }
  }

  // --- the cursor, and what is written about the moment --------------------------------------------------------
  function moveCursors() {
    const time = clip.times[frame];
    const cursor = part("cursor");
    if (cursor) {
      cursor.setAttribute("x1", scale.x(time));
      cursor.setAttribute("x2", scale.x(time));
    }
    for (const plot of plots) {
      const isShown = clip.strides.some((stride) => stride.curves[plot.curve]);
      limbs.forEach((limb, number) => {
        const stride = strideAt(number, time), line = plot.lines[number];
        line.hidden = !isShown || !stride;
        if (stride) line.style.left = `${100 * (plot.left + (plot.width * percentAt(stride, time)) / 100)}%`;
      });
    }
  }

  function writeMoment() {
    const time = clip.times[frame];
    part("time").textContent = seconds(time);
    const spoken = [seconds(time)];
    const list = part("limbs");
    list.replaceChildren();
    limbs.forEach((limb, number) => {
      const stride = strideAt(number, time);
      let text = words.outside;
      if (stride) {
        text = fill(words.percent, { percent: percentAt(stride, time).toFixed(0) });
        if (stride.toe_off !== null) text += `, ${time < stride.toe_off ? words.stance : words.swing}`;
      }
      html("dt", `${limb.name} (${limb.letter})`, list, limb.line);
      html("dd", text, list);
      spoken.push(`${limb.name} ${text}`);
    });
    const here = eventsOf(clip).filter((event) => nearestFrame(event.time) === frame);
    const names = here.map((event) => `${words[event.kind]}, ${limbs[event.limb].name}`);
    part("event").textContent = names.join("; ");
    slider.value = frame;
    slider.setAttribute("aria-valuetext", [...spoken, ...names].join("; "));
  }

  function show(number) {
    frame = Math.min(Math.max(number, 0), clip.times.length - 1);
    owed = 0;
    drawPicture();
    drawSkeleton();
    moveCursors();
    writeMoment();
  }

  // --- moving about --------------------------------------------------------------------------------------------
  function pause() {
    playing = false;
    part("play").textContent = words.play;
  }

  function togglePlay() {
    if (playing) {
      pause();
      return;
    }
    if (frame === clip.times.length - 1) show(0);
    playing = true;
    lastTick = null;
    part("play").textContent = words.pause;
    requestAnimationFrame(tick);
  }

  function tick(now) {
    if (!playing) return;
    // A page that was out of sight does not run on.
    if (lastTick !== null) owed += Math.min((now - lastTick) / 1000, LONGEST_STAY) * Number(speedChoice.value);
    lastTick = now;
    let next = frame, left = owed;
    while (next < clip.times.length - 1) {
      const stay = Math.min(clip.times[next + 1] - clip.times[next], LONGEST_STAY);
      if (left < stay) break;
      left -= stay;
      next += 1;
    }
    if (next !== frame) {
      show(next);
      owed = left;
    }
    if (next === clip.times.length - 1) pause();
    else requestAnimationFrame(tick);
  }

  function seek(number) {
    pause();
    show(number);
  }

  function toEvent(direction) {
    const places = eventsOf(clip).map((event) => nearestFrame(event.time));
    const ahead = places.filter((place) => (place - frame) * direction > 0);
    if (ahead.length) seek(direction > 0 ? Math.min(...ahead) : Math.max(...ahead));
  }

  function chooseClip(number) {
    pause();
    clip = data.clips[number];
    clipChoice.value = number;
    images.clear();
    const before = curveChoice.value;
    const names = [...curves.keys()].filter((name) => clip.strides.some((stride) => stride.curves[name]));
    curveChoice.replaceChildren(...names.map((name) => new Option(curves.get(name).name, name)));
    if (names.includes(before)) curveChoice.value = before;
    slider.max = clip.times.length - 1;
    frame = 0;
    drawStrip();
    show(0);
  }

  // --- curves elsewhere in the page ----------------------------------------------------------------------------
  // From a share of the stride in a figure to that moment: in the chosen clip where it has this curve, else in the
  // first one that does; in the stride of this limb that is nearest the moment shown.
  function jump(plot, percent) {
    const suits = (stride) => stride.curves[plot.curve] && stride.limb === plot.limb;
    const isClear = (stride) => suits(stride) && !(stride.far && curves.get(plot.curve).near_only);
    const order = [clip, ...data.clips];
    const found = order.find((one) => one.strides.some(isClear)) ?? order.find((one) => one.strides.some(suits));
    if (!found) return;
    if (found !== clip) chooseClip(data.clips.indexOf(found));
    const time = clip.times[frame];
    const away = (stride) => Math.max(stride.start - time, time - stride.end, 0);
    const strides = clip.strides.filter(clip.strides.some(isClear) ? isClear : suits);
    const stride = strides.reduce((best, one) => (away(one) < away(best) ? one : best));
    curveChoice.value = plot.curve;
    drawStrip();
    seek(nearestFrame(stride.start + (percent / 100) * (stride.end - stride.start)));
    part("return").hidden = false;
    part("return-link").href = `#${plot.box.id}`;
    part("grid").scrollIntoView();
  }

  const plots = [...document.querySelectorAll(".plot[data-curve]")]
    .filter((box) => curves.has(box.dataset.curve))
    .map((box, number) => {
      const [left, top, width, height] = box.dataset.axes.split(" ").map(Number);
      const limb = limbs.findIndex((one) => one.side === box.dataset.limb);
      const lines = limbs.map((one) => {
        const line = html("div", "", box, `plot-cursor ${one.line}`);
        line.style.top = `${100 * top}%`;
        line.style.height = `${100 * height}%`;
        line.hidden = true;
        return line;
      });
      const plot = { box, curve: box.dataset.curve, limb, left, width, lines };
      box.id = `plot-${number}`;
      box.addEventListener("click", (event) => {
        const outline = box.getBoundingClientRect();
        const share = ((event.clientX - outline.left) / outline.width - left) / width;
        const down = ((event.clientY - outline.top) / outline.height - top) / height;
        if (share >= 0 && share <= 1 && down >= 0 && down <= 1) jump(plot, 100 * share);
      });
      box.classList.add("live");
      return plot;
    });

  // --- what a person does --------------------------------------------------------------------------------------
  part("play").addEventListener("click", togglePlay);
  part("back").addEventListener("click", () => seek(frame - 1));
  part("forward").addEventListener("click", () => seek(frame + 1));
  part("event-before").addEventListener("click", () => toEvent(-1));
  part("event-after").addEventListener("click", () => toEvent(1));
  overlay.addEventListener("change", drawSkeleton);
  clipChoice.addEventListener("change", () => chooseClip(Number(clipChoice.value)));
  curveChoice.addEventListener("change", drawStrip);
  slider.addEventListener("input", () => seek(Number(slider.value)));

  const toPointer = (event) => {
    const place = event.clientX - strip.getBoundingClientRect().left;
    seek(nearestFrame(scale.time(place)));
  };
  strip.addEventListener("pointerdown", (event) => {
    strip.setPointerCapture(event.pointerId);
    toPointer(event);
  });
  strip.addEventListener("pointermove", (event) => {
    if (strip.hasPointerCapture(event.pointerId)) toPointer(event);
  });

  panel.addEventListener("keydown", (event) => {
    if (event.altKey || event.ctrlKey || event.metaKey || event.target.matches("select")) return;
    const direction = { ArrowLeft: -1, ArrowRight: 1 }[event.key];
    if (direction && event.shiftKey) toEvent(direction);
    else if (direction) seek(frame + direction);
    else if (event.key === " " && event.target === slider) togglePlay();
    else return;
    event.preventDefault();
  });

  data.clips.forEach((one, number) => clipChoice.append(new Option(one.name, number)));
  canvas.width = WIDTH;
  canvas.height = HEIGHT;
  skeleton.setAttribute("viewBox", `0 0 ${WIDTH} ${HEIGHT}`);
  document.getElementById("viewer-off").hidden = true;
  panel.hidden = false;
  chooseClip(0);
  new ResizeObserver(drawStrip).observe(strip);
});
