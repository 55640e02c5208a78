// Says on the page when its connection to the server is lost and when it is back, and when the page was ended
// there. JupyterLab opens a lost connection again by itself; what is seen meanwhile is old. Loaded first, so
// that every connection is one of these.
(() => {
  const Plain = window.WebSocket, links = window.tubekit_links = new Set();
  let lost = false, ended = false, leaving = false;
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
    if (!ended) return;
    const button = line.appendChild(document.createElement("button"));
    button.textContent = "Reload";
    button.addEventListener("click", () => location.reload());
  };
  // Whether the server answers, but no longer knows the kernel of this connection.
  const gone = async (url) => {
    const at = url.replace(/^ws/, "http").match(/^(.*\/api\/kernels\/[^/]+)\/channels/);
    if (!at) return false;
    try {
      const { status } = await fetch(at[1]);
      return status === 404 || status === 403;
    } catch { return false; }
  };
  window.addEventListener("pagehide", () => { leaving = true; });
  window.WebSocket = class extends Plain {
    constructor(...to) {
      super(...to);
      this.addEventListener("open", () => {
        links.add(this);
        if (lost && !ended) {
          say("Connected again.");
          setTimeout(() => { if (!lost) say(""); }, 4000);
        }
        lost = false;
      });
      this.addEventListener("close", async () => {
        links.delete(this);
        if (leaving || links.size || ended) return;
        lost = true;
        say("Connection to the server lost: what you see may be old. Trying again …");
        if (!await gone(this.url) || ended) return;
        ended = true;
        say("The server closed this page: too many were open, it was left too long, or its calculation failed. "
          + "What you see is old. Anything you typed and did not save is lost. ");
      });
    }
  };
})();
