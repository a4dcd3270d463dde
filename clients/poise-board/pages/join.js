// The way in that a taster's camera found: the secret behind the # is good once.
import { fill, t } from "./texts.js";
import { post } from "./net.js";

fill();
const code = location.hash.slice(1);
history.replaceState(null, "", "/join");
const why = document.getElementById("why");
try {
  const reply = await post("/api/pair", { code, name: "phone" });
  if (reply.ok) location.replace("/sheet");
  else why.textContent = reply.why;
} catch {
  why.textContent = t("no_answer");
}
