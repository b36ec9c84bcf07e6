// Shows alarm messages while no page is open. It keeps nothing and fetches nothing.
"use strict";

self.addEventListener("install", () => self.skipWaiting());
self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));

self.addEventListener("push", (event) => {
  let told = { title: "Sashkeeper", body: "Look at your frames.", tag: "sashkeeper", path: "/" };
  try { told = { ...told, ...event.data.json() }; } catch { /* an empty message still means: look */ }
  event.waitUntil(self.registration.showNotification(told.title, {
    body: told.body, tag: told.tag, renotify: true, requireInteraction: told.urgent === true, data: { path: told.path },
  }));
});

self.addEventListener("notificationclick", (event) => {
  event.notification.close();
  event.waitUntil(self.clients.openWindow(event.notification.data.path || "/"));
});
