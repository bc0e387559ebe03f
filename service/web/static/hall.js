// The hall a person chose on this device, before anything is painted: a plain script, so that nothing flashes.
(() => {
  try {
    const hall = localStorage.getItem("earlybell.hall");
    if (hall === "dark" || hall === "bright") document.documentElement.dataset.hall = hall;
  } catch {
    // storage is switched off: the device decides
  }
})();
