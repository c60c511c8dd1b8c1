// Runs on a subscribed phone while no page is open: shows every message that
// comes, and opens its page when it is tapped. A message that showed nothing
// would cost the subscription.
"use strict";

self.addEventListener("install", () => self.skipWaiting());
self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));

const read = (data) => {
  try {
    const m = data.json();
    if (typeof m.title === "string" && m.title) return m;
  } catch {
    // It is shown all the same.
  }
  return { title: "rearguard has news", body: "The message cannot be read here. Look at the alarms.", link: "/alarms", call: true };
};

self.addEventListener("push", (event) => {
  const m = read(event.data);
  event.waitUntil(self.registration.showNotification(m.title, {
    body: m.body || "", tag: m.tag || "rearguard", data: m.link || "/", icon: "/static/icon-192.png",
    renotify: Boolean(m.call), requireInteraction: Boolean(m.stay), actions: Array.isArray(m.actions) ? m.actions : [],
  }));
});

// address is the page of a link on this site, by whichever name it is called.
const address = (link) => {
  try {
    const u = new URL(link, self.location.origin);
    return self.location.origin + u.pathname + u.search + u.hash;
  } catch {
    return `${self.location.origin}/`;
  }
};

self.addEventListener("notificationclick", (event) => {
  event.notification.close();
  // A button leads to its like on the page: what it does is done there.
  const to = address(event.notification.data) + (event.action ? `#${event.action}` : "");
  event.waitUntil((async () => {
    const open = await self.clients.matchAll({ type: "window", includeUncontrolled: true });
    const same = open.find((page) => page.url === to);
    return same ? same.focus() : self.clients.openWindow(to);
  })());
});
