// Subscribes this phone to messages, and says again whenever a page is opened
// that it is subscribed: subscriptions vanish and change without a word. Pages
// carry this file only where phones can be told.
"use strict";
(() => {
  const meta = document.querySelector("meta[name=push-key]");
  const key = Uint8Array.from(atob(meta.content.replace(/-/g, "+").replace(/_/g, "/")), (c) => c.charCodeAt(0));
  const form = document.getElementById("phone-form");
  const state = document.getElementById("phone-state");
  const say = (text) => { if (state) state.textContent = text; };
  const speaksAgainAfter = 3600000;

  // A test that was tapped opened this page.
  const seen = document.getElementById("phone-seen");
  if (seen) { seen.requestSubmit(); return; }

  // What this phone knows of itself: the random name it gave itself, who is
  // told on it, and what it is called.
  const known = () => { try { return JSON.parse(localStorage.getItem("phone")); } catch { return null; } };
  const keep = (me) => localStorage.setItem("phone", JSON.stringify(me));
  const newName = () => [...crypto.getRandomValues(new Uint8Array(16))].map((b) => b.toString(16).padStart(2, "0")).join("");

  const missing = () => {
    if (!isSecureContext) return "This page was not opened by an https:// address, so it cannot subscribe. See below.";
    if (!("serviceWorker" in navigator && "PushManager" in window && "Notification" in window)) {
      return "This browser cannot take messages as it is. On an iPhone or iPad add the page to the Home Screen first. See below.";
    }
    if (Notification.permission === "denied") return "Messages of this page are blocked. Allow them in the settings of the browser or phone, then load this page again.";
    return "";
  };

  let worker = null;
  const registered = () => {
    if (!worker) worker = navigator.serviceWorker.register("/phone-worker.js").then(() => navigator.serviceWorker.ready);
    return worker;
  };

  const ours = (subscription) => {
    const its = subscription.options.applicationServerKey;
    if (!its) return true;
    const octets = new Uint8Array(its);
    return octets.length === key.length && octets.every((b, i) => b === key[i]);
  };

  // subscription is what this phone has, or a new one.
  const subscription = async (anew) => {
    const manager = (await registered()).pushManager;
    const has = await manager.getSubscription();
    if (has && !anew && ours(has)) return has;
    if (has) await has.unsubscribe();
    return manager.subscribe({ userVisibleOnly: true, applicationServerKey: key });
  };

  const fields = (me, its) => {
    const { endpoint, keys } = its.toJSON();
    return { ...me, endpoint, p256dh: keys.p256dh, auth: keys.auth };
  };

  const tell = async (me, its) => (await fetch("/phones/sync", { method: "POST", body: new URLSearchParams(fields(me, its)) })).status;

  // speak says what this phone is, and makes a new subscription where the old
  // one is dead. Where somebody removed the phone it gives up.
  let spoke = 0;
  const speak = async () => {
    const me = known();
    if (!me) { say("This phone is not subscribed."); return; }
    if (Notification.permission !== "granted") { say("This phone was subscribed and no longer has the permission. Subscribe it again."); return; }
    spoke = Date.now();
    let status = await tell(me, await subscription(false));
    if (status === 410) status = await tell(me, await subscription(true));
    if (status === 404) {
      localStorage.removeItem("phone");
      const has = await (await registered()).pushManager.getSubscription();
      if (has) await has.unsubscribe();
      say("This phone was removed. Subscribe it again if it is to get messages.");
      return;
    }
    if (status !== 204) throw new Error(`the server answered ${status}`);
    say(`This phone is subscribed as ${me.name}.`);
  };
  const spoken = () => speak().catch((e) => say(`It is not known whether this phone is still subscribed: ${e.message}. Load the page again.`));

  const problem = missing();
  if (problem) { say(problem); } else if (form || known()) {
    registered().catch(() => {});
    spoken();
    document.addEventListener("visibilitychange", () => {
      if (document.visibilityState === "visible" && known() && Date.now() - spoke > speaksAgainAfter) spoken();
    });
  }
  if (!form) return;

  const me = known();
  if (me && !form.elements.name.value) { form.elements.name.value = me.name; form.elements.person.value = me.person; }
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    const lacks = missing();
    if (lacks) { say(lacks); return; }
    // Within the tap itself, or the browser does not ask.
    const asked = Notification.requestPermission();
    say("Subscribing …");
    (async () => {
      if (await asked !== "granted") { say("Without the permission to show messages this phone cannot be subscribed."); return; }
      const now = { device: (known() || { device: newName() }).device, person: form.elements.person.value, name: form.elements.name.value.trim() };
      for (const [name, value] of Object.entries(fields(now, await subscription(true)))) form.elements[name].value = value;
      keep(now);
      form.submit();
    })().catch((e) => say(`This browser could not subscribe: ${e.message}`));
  });
})();
