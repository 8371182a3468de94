// What this reader may do. Who is logged in only to read gets no buttons that act (classes ack and acts); the service refuses in any case.

import { byId, el } from "./dom.js";
import { get, logOut, login } from "./net.js";

export async function showAccess() {
  let may;
  try {
    may = await get("/api/session");
  } catch {
    return; // the service is gone, and the page says so
  }
  const readOnly = may.logged_in && !may.may_act;
  document.body.dataset.may = readOnly ? "read" : "act";
  const place = byId("access");
  place.hidden = !may.logged_in;
  if (readOnly) byId("main").prepend(place); // who misses the buttons sees why
  else document.querySelector("footer").append(place);
  place.replaceChildren(
    ...(readOnly ? ["Read only. ", button("Log in to act", () => login("Enter the token of those who may act."))] : ["Logged in. "]),
    " ",
    button("Log out", async () => {
      await logOut().catch(() => null);
      location.reload();
    }),
  );
}

function button(text, onclick) {
  return el("button", { type: "button", onclick }, text);
}

document.addEventListener("login", showAccess);
