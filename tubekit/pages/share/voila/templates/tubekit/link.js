// Says on the page when its connection to the server is lost and when it is back. JupyterLab opens it again
// by itself; what is seen meanwhile is old. Loaded first, so that every connection is one of these.
(() => {
  const Plain = window.WebSocket, links = window.tubekit_links = new Set();
  let lost = false, leaving = false;
  const say = (words) => {
    let line = document.querySelector(".tubekit-link");
    if (!line) {
      line = document.createElement("p");
      line.className = "tubekit-link";
      line.setAttribute("role", "alert");
      document.body.prepend(line);
    }
    line.textContent = words;
    line.hidden = !words;
  };
  window.addEventListener("pagehide", () => { leaving = true; });
  window.WebSocket = class extends Plain {
    constructor(...to) {
      super(...to);
      this.addEventListener("open", () => {
        links.add(this);
        if (lost) {
          say("Connected again.");
          setTimeout(() => { if (!lost) say(""); }, 4000);
        }
        lost = false;
      });
      this.addEventListener("close", () => {
        links.delete(this);
        if (leaving || links.size) return;
        lost = true;
        say("Connection to the server lost: what you see may be old. Trying again … "
          + "If this stays for a minute, reload the page; it then starts over. "
          + "(When many pages are open, the one left longest is closed.)");
      });
    }
  };
})();
