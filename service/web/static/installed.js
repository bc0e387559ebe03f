// Opened from the home screen the page is an app: its worker comes along, so that it opens without a connection too.

if ("serviceWorker" in navigator && matchMedia("(display-mode: standalone)").matches) {
  navigator.serviceWorker.register("/sw.js").catch(() => null); // it only adds
}
