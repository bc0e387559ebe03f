// Talks to the service. Every call ends: with data, or with a `Failure` whose text a person can act on.

import { t } from "./language.js";

const PATIENCE_MS = 8000;
const TRIES = 3;

export class Failure extends Error {
  constructor(text, { status = 0, body = null } = {}) {
    super(text);
    this.status = status;
    this.body = body;
  }
}

const ROOT = "/api/v1";
let own = {};

/** Ask with the key of a link from now on, instead of with a session. */
export function useKey(key) {
  own = { authorization: `Bearer ${key}` };
}

export function get(path) {
  return ask(ROOT + path, { headers: { accept: "application/json", ...own } });
}

/** Whether the service answers at all; costs it nothing. */
export const knock = () => ask("/healthz", {});

/** A change. Asked again with the same key while the store is busy: the key makes repeats harmless. */
export async function post(path, body, patience = PATIENCE_MS) {
  const headers = { "content-type": "application/json", "idempotency-key": key(), ...own };
  const request = { method: "POST", headers, body: JSON.stringify(body) };
  for (let left = TRIES; ; left -= 1) {
    try {
      return await ask(ROOT + path, request, patience);
    } catch (failure) {
      if (failure.status !== 503 || left === 1) throw failure;
      await new Promise((resolve) => setTimeout(resolve, 2000));
    }
  }
}

async function ask(url, request, patience = PATIENCE_MS) {
  let response;
  try {
    response = await fetch(url, { ...request, signal: AbortSignal.timeout(patience) });
  } catch {
    throw new Failure(t("No connection. Nothing is known to be stored; try again."));
  }
  const body = await response.json().catch(() => null);
  if (response.ok && body !== null) return body;
  if (response.status === 401 && !own.authorization) signIn();
  throw new Failure(body?.detail ? t(body.detail) : t("The service answered {status}.", { status: response.status }), { status: response.status, body });
}

/** The session is over: sign in, and come back to where one was. */
function signIn() {
  location.assign(`/sign-in?next=${encodeURIComponent(location.pathname + location.search)}`);
}

/** `crypto.randomUUID` exists only on https and localhost; a plant's page is often neither. */
function key() {
  return Array.from(crypto.getRandomValues(new Uint8Array(16)), (byte) => byte.toString(16).padStart(2, "0")).join("");
}

export const path = (...parts) => `/${parts.map(encodeURIComponent).join("/")}`;
