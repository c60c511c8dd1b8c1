// Keeps an open page up to date over server-sent events and says so when it
// cannot. The page works without this file.
"use strict";
(() => {
  const lostAfter = 40000;
  const body = document.body;
  const banner = document.getElementById("lost");
  const announce = document.getElementById("announce");
  const title = document.title;
  let heard = Date.now();
  let source = null;

  // After a form the address says what was done; a reload need not say it again.
  const address = new URL(location.href);
  if (address.searchParams.has("done")) {
    address.searchParams.delete("done");
    history.replaceState(null, "", address);
  }

  // held: somebody is typing inside, so the piece stays for now; a field left
  // alone for a minute no longer holds up the news.
  let typing = 0;
  for (const kind of ["input", "focusin"]) addEventListener(kind, () => { typing = Date.now(); });
  const held = (node) => Date.now() - typing < 60000 && node.contains(document.activeElement) &&
    document.activeElement.matches("input, select, textarea");

  const keyOf = (node) => node.dataset.key;

  const keepOpen = (from, to) => {
    const open = new Set([...from.querySelectorAll("details[open][data-key]")].map(keyOf));
    to.querySelectorAll("details[data-key]").forEach((d) => { if (open.has(keyOf(d))) d.open = true; });
  };

  // typed carries what was entered in fields over to their successors.
  const typed = (from, to) => {
    const fields = [...to.querySelectorAll("input:not([type=hidden]), select")];
    [...from.querySelectorAll("input:not([type=hidden]), select")].forEach((old) => {
      const next = fields.find((f) => f.name === old.name && f.form && old.form &&
        f.form.getAttribute("action") === old.form.getAttribute("action"));
      if (next && old.value !== "") next.value = old.value;
    });
  };

  // An update marks what the page has already as the same. When the page does
  // not have it, since a piece was held or dropped, it asks for everything.
  let behind = false;
  const same = (node) => node.dataset && node.dataset.same !== undefined;

  // merge replaces the pieces of a list that changed, and only those. A piece
  // may come from another list of its section, which all holds.
  const merge = (list, next, all) => {
    const gone = new Set(list.children);
    const order = [];
    for (const fresh of [...next.children]) {
      const was = all.get(keyOf(fresh));
      gone.delete(was);
      if (same(fresh)) {
        if (was) order.push(was); else behind = true;
        continue;
      }
      if (was && (was.received || was.outerHTML) === fresh.outerHTML) { order.push(was); continue; }
      if (was && held(was)) { behind = true; order.push(was); continue; }
      fresh.received = fresh.outerHTML;
      if (was) { keepOpen(was, fresh); typed(was, fresh); keepFocus(was, fresh); }
      order.push(fresh);
    }
    const kept = [...gone].filter(held);
    if (kept.length > 0) behind = true;
    const wanted = [...kept, ...order];
    const unmoved = wanted.length === list.children.length && wanted.every((n, i) => n === list.children[i]);
    if (!unmoved) list.replaceChildren(...wanted);
  };

  // fill puts the pieces that are the same into the place of their marks.
  const fill = (section, next) => {
    for (const mark of next.querySelectorAll("[data-same]")) {
      const was = [...section.querySelectorAll("[data-key]")].find((n) => keyOf(n) === keyOf(mark));
      if (was) mark.replaceWith(was); else behind = true;
    }
  };

  // keepFocus finds the link or button that had the focus in its successor.
  let focus = null;
  const keepFocus = (from, to) => {
    const active = document.activeElement;
    if (!from.contains(active) || active === body) return;
    const all = [...from.querySelectorAll("a, button, summary")];
    focus = [...to.querySelectorAll("a, button, summary")][all.indexOf(active)] || null;
  };

  const replace = (section, html) => {
    const template = document.createElement("template");
    template.innerHTML = html;
    const next = template.content;
    const lists = [...section.querySelectorAll("[data-list]")];
    const nextLists = [...next.querySelectorAll("[data-list]")];
    focus = null;
    if (lists.length > 0 && lists.length === nextLists.length) {
      // Keep the lists in the document and only renew what stands around them.
      // As it came from the server: nothing moves when nothing changed.
      if (section.shape === undefined) section.shape = shapeOf(section);
      const all = new Map();
      for (const list of lists) for (const child of list.children) all.set(keyOf(child), child);
      lists.forEach((list, i) => { merge(list, nextLists[i], all); });
      outline(section, next, lists, nextLists);
    } else if (template.innerHTML === section.innerHTML) {
      return;
    } else if (held(section)) {
      behind = true;
    } else {
      fill(section, next);
      keepOpen(section, next);
      keepFocus(section, next);
      section.replaceChildren(next);
      section.shape = undefined;
    }
    if (focus) focus.focus({ preventScroll: true });
  };

  // shapeOf is what stands around the lists.
  const shapeOf = (node) => {
    const box = document.createElement("div");
    for (const child of node.childNodes) box.append(child.cloneNode(true));
    box.querySelectorAll("[data-list]").forEach((l) => l.replaceChildren());
    return box.innerHTML;
  };

  // outline puts the kept lists into the new surroundings, unless nothing
  // but the lists changed.
  const outline = (section, next, lists, nextLists) => {
    nextLists.forEach((l) => l.replaceChildren());
    const shape = shapeOf(next);
    if (section.shape === shape) return;
    if (held(section)) { behind = true; return; }
    keepOpen(section, next);
    keepFocus(section, next);
    nextLists.forEach((l, i) => l.replaceWith(lists[i]));
    section.replaceChildren(next);
    section.shape = shape;
  };

  const speak = () => {
    const mark = document.querySelector("[data-announce]");
    if (!mark) return;
    if (announce.textContent !== mark.dataset.announce) announce.textContent = mark.dataset.announce;
    const n = Number(mark.dataset.urgent);
    document.title = n > 0 ? `(${n}) ${title}` : title;
  };

  const check = () => {
    if (behind && !held(body)) { behind = false; connect(); }
    const quiet = Date.now() - heard;
    const lost = quiet > lostAfter;
    body.classList.toggle("lost", lost);
    banner.hidden = !lost;
    if (lost) {
      // In steps of ten, so that a screen reader is not told every second.
      const seconds = Math.floor(quiet / 10000) * 10;
      const text = `This page has not heard from rearguard for ${seconds} s. What it shows is old: go and look at the rooms.`;
      if (banner.textContent !== text) banner.textContent = text;
    }
  };

  const connect = () => {
    if (source) source.close();
    source = new EventSource(body.dataset.stream);
    const alive = () => { heard = Date.now(); check(); };
    source.addEventListener("beat", alive);
    source.addEventListener("gone", () => location.reload());
    source.addEventListener("update", (e) => {
      const { sections } = JSON.parse(e.data);
      for (const [id, html] of Object.entries(sections)) {
        const section = document.getElementById(`part-${id}`);
        if (section) replace(section, html);
      }
      speak();
      alive();
      body.dataset.updates = String(Number(body.dataset.updates || 0) + 1);
    });
    source.onerror = () => {
      // The browser tries again by itself unless the answer was an error.
      if (source.readyState === EventSource.CLOSED) setTimeout(connect, 5000);
    };
  };

  speak();
  connect();
  setInterval(check, 1000);
  // A page taken out of the browser's memory or a phone's pocket may be old.
  addEventListener("pageshow", (e) => { if (e.persisted) { check(); connect(); } });
  document.addEventListener("visibilitychange", check);
})();
