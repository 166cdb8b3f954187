// Who is signed in, and where somebody goes from the sign-in page.

import assert from "node:assert/strict";
import { afterEach, test } from "node:test";

const stored = new Map<string, string>();
Object.assign(globalThis, {
  localStorage: { getItem: (key: string) => stored.get(key) ?? null, setItem: (key: string, text: string) => stored.set(key, text) },
  location: { pathname: "/aircraft/ZZ-KAT", search: "?door=L1" },
});

const { administers, askSession, onlyLooks, session, signedInAs, signedOut, signInAddress } = await import(
  "../../monitor/adapters/web/board/src/session.ts"
);
const { person, typeName } = await import("../../monitor/adapters/web/board/src/prefs.ts");
const { readNext } = await import("../../monitor/adapters/web/board/src/sign_in/next.ts");
const { readWait, signIn } = await import("../../monitor/adapters/web/board/src/sign_in/asking.ts");
const { LANGUAGES } = await import("../../monitor/adapters/web/board/src/sign_in/words.ts");

const ORIGIN = "https://board.example";

function answerWith(body: unknown, status = 200, headers: Record<string, string> = {}): { asked: [string, RequestInit][] } {
  const asked: [string, RequestInit][] = [];
  Object.assign(globalThis, {
    fetch: async (address: string, options: RequestInit) => {
      asked.push([address, options]);
      return new Response(JSON.stringify(body), { status, headers });
    },
  });
  return { asked };
}

afterEach(async () => {
  answerWith({ sign_in: false });
  await askSession();
  signedOut.value = false;
});

test("until the service has said who somebody is, nothing is withheld and nothing is promised", () => {
  assert.equal(session.value, null);
  assert.equal(signedInAs.value, null);
  assert.equal(onlyLooks.value, false);
  assert.equal(administers.value, null);
});

test("where nobody has to sign in everything may be done, under the name that was typed", async () => {
  answerWith({ sign_in: false });
  await askSession();
  typeName("Mia");
  assert.deepEqual([person.value, onlyLooks.value, administers.value, signedOut.value], ["Mia", false, true, false]);
  assert.equal(stored.get("sillwatch.person"), "Mia");
});

test("a session's name stands for the typed one and is not kept in the browser", async () => {
  typeName("Mia");
  answerWith({ sign_in: true, name: "Ann", role: "coordinator" });
  await askSession();
  assert.deepEqual([person.value, onlyLooks.value, administers.value, signedOut.value], ["Ann", false, false, false]);
  assert.equal(stored.get("sillwatch.person"), "Mia");
});

test("a viewer only looks, an administrator may ask for everything", async () => {
  for (const [role, looks, all] of [["viewer", true, false], ["administrator", false, true]] as const) {
    answerWith({ sign_in: true, name: "Ann", role });
    await askSession();
    assert.deepEqual([onlyLooks.value, administers.value], [looks, all]);
  }
});

test("signed out is what the service says, not a failure to ask it", async () => {
  for (const status of [401, 404, 500, 503]) {
    answerWith({ sign_in: true, name: null }, status);
    await askSession();
    assert.equal(signedOut.value, false);
  }
  Object.assign(globalThis, { fetch: () => Promise.reject(new Error("gone")) });
  await askSession();
  assert.equal(signedOut.value, false);
  answerWith({ sign_in: true, name: null });
  await askSession();
  assert.equal(signedOut.value, true);
});

test("the way to the sign-in page leads back", () => {
  const address = new URL(signInAddress(), ORIGIN);
  assert.equal(address.pathname, "/sign-in");
  assert.equal(readNext(address.search, ORIGIN), "/aircraft/ZZ-KAT?door=L1");
});

for (const [next, found] of [
  ["/", "/"],
  ["/aircraft/ZZ-KAT?door=L1#report", "/aircraft/ZZ-KAT?door=L1#report"],
  ["/?wall", "/?wall"],
  ["//elsewhere.example/", "/"],
  ["/\\elsewhere.example", "/"],
  ["/\t/elsewhere.example", "/"],
  ["/.//elsewhere.example", "/"],
  ["/x/..//elsewhere.example", "/"],
  ["/./\\elsewhere.example", "/"],
  ["https://elsewhere.example/", "/"],
  ["javascript:alert(1)", "/"],
  ["alerts", "/"],
  ["", "/"],
  ["/api/v1/session", "/"],
  ["/api", "/"],
  ["/assets/board.js", "/"],
  ["/sign-in?next=/", "/"],
  ["/x/../sign-in", "/"],
  ["/apiary", "/apiary"],
] as const) {
  test(`next=${JSON.stringify(next)} leads to ${found}`, () => {
    assert.equal(readNext(`?${new URLSearchParams({ next })}`, ORIGIN), found);
  });
}

test("without a next the apron is shown", () => {
  assert.equal(readNext("", ORIGIN), "/");
});

test("a sign-in is sent as JSON, and each answer has its own outcome", async () => {
  const { asked } = answerWith({ name: "Ann" });
  assert.deepEqual(await signIn("Ann", "a secret"), { kind: "in" });
  const [[address, { method, body }]] = asked as [[string, RequestInit]];
  assert.deepEqual([address, method, body], ["/api/v1/session", "POST", '{"name":"Ann","password":"a secret"}']);
  answerWith({}, 401);
  assert.deepEqual(await signIn("Ann", "x"), { kind: "failed" });
  answerWith({}, 429, { "Retry-After": "37" });
  assert.deepEqual(await signIn("Ann", "x"), { kind: "locked", seconds: 37 });
  answerWith({ detail: "Only its own page may." }, 403);
  assert.deepEqual(await signIn("Ann", "x"), { kind: "refused", detail: "Only its own page may." });
  Object.assign(globalThis, { fetch: () => Promise.reject(new Error("gone")) });
  assert.deepEqual(await signIn("Ann", "x"), { kind: "unreached" });
});

test("a wait that cannot be read is a minute", () => {
  assert.deepEqual(["12", "0", null, "soon", "-4", "1e9"].map(readWait), [12, 1, 60, 60, 60, 60]);
});

test("the sign-in page says the same in every language", () => {
  const english = Object.entries(LANGUAGES["en"] ?? {});
  assert.deepEqual(Object.keys(LANGUAGES), ["en", "de"]);
  for (const words of Object.values(LANGUAGES)) {
    assert.deepEqual(Object.keys(words), english.map(([key]) => key));
    for (const [key, text] of english) {
      const places = (of: string): string[] => of.match(/\{\w+\}/g) ?? [];
      assert.deepEqual(places(words[key as keyof typeof words]), places(text), key);
    }
  }
});
