// Asks the server, and turns its problem details (RFC 9457) into a sentence.
import { signedOut } from "./away.js";
import { _ } from "./speech.js";

export async function ask(path, { method = "GET", body, signal } = {}) {
  let answer;
  try {
    answer = await fetch(path, {
      method, signal,
      headers: body === undefined ? {} : { "Content-Type": "application/json" },
      body: body === undefined ? undefined : JSON.stringify(body),
    });
  } catch (error) {
    if (error.name === "AbortError") throw error;
    throw new Error(_("The server does not answer. What you see may be old; nothing was changed. Try again in a moment."));
  }
  const said = await answer.json().catch(() => null);
  if (!answer.ok) {
    if (answer.status === 401) signedOut();
    const error = new Error(said?.detail ? `${said.detail} ${said.what_to_do ?? ""}` : _("The server answers {status}.", { status: answer.status }));
    throw Object.assign(error, { status: answer.status });
  }
  return said;
}

export const iso = (ms) => new Date(Math.round(ms)).toISOString();
