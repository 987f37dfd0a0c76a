// Faults that people reported from the saws: open ones, and saying that one is dealt with.
import { _ } from "../desk/speech.js";
import { named } from "../desk/who.js";
import { ask } from "../desk/ask.js";

function element(tag, properties = {}, ...children) {
  const made = Object.assign(document.createElement(tag), properties);
  made.append(...children.filter(Boolean));
  return made;
}

// Shows the open faults in the section; `me` says who speaks, `title` what a saw is called.
export async function listFaults(section, { me, title, today, when, changed, failed }) {
  if (section.querySelector("input:focus")) return; // somebody is writing
  const open = (await ask("/api/v1/faults")).faults.filter((fault) => fault.open);
  section.hidden = !open.length;
  section.querySelector("ul").replaceChildren(...open.map((fault) => {
    const note = element("input", { maxLength: 300, placeholder: _("what was done"), ariaLabel: _("what was done") });
    const close = element("button", { textContent: _("dealt with") });
    close.addEventListener("click", async () => {
      try {
        await ask(`/api/v1/faults/${fault.id}/closing`, { method: "POST", body: { who: me.who(), role: me.role(), note: note.value.trim() } });
        changed();
      } catch (error) { failed(error); }
    });
    return element("li", {},
      element("span", {}, element("b", { textContent: `${title(fault.saw)}: ${fault.what_words}` }), fault.note ? ` ${fault.note} ` : " ",
        element("small", { textContent: `${named(fault.who)}, ${when.moment(fault.said, today)}` })),
      note, close);
  }));
}
