// A paged list as it is read: on, anew, and renewed in place after something may have been missed.

import assert from "node:assert/strict";
import { afterEach, test } from "node:test";
import { PagedList } from "../../monitor/adapters/web/board/src/alerts/pages.ts";

const kept = globalThis.fetch;
afterEach(() => {
  globalThis.fetch = kept;
});

type Answered = { items: number[]; next: string | null } | string;

/** A list whose service answers so, one answer after the other; and what was asked of it. */
function listOf(...answers: Answered[]): { list: PagedList<number>; asked: string[] } {
  const asked: string[] = [];
  globalThis.fetch = async (address) => {
    asked.push(String(address));
    const answer = answers.shift();
    assert.ok(answer !== undefined, "nothing more is asked than is answered");
    return typeof answer === "string"
      ? new Response(JSON.stringify({ detail: answer }), { status: 503 })
      : new Response(JSON.stringify(answer));
  };
  return { list: new PagedList<number>((after) => `/list?after=${after ?? ""}`, String), asked };
}

test("it is read page by page to its end", async () => {
  const { list, asked } = listOf({ items: [9, 8], next: "p" }, { items: [7], next: null });
  await list.restart();
  await list.more();
  await list.more();
  assert.deepEqual(list.items.value, [9, 8, 7]);
  assert.deepEqual(asked, ["/list?after=", "/list?after=p"]);
  assert.equal(list.hasMore, false);
});

test("renewed, it gets what is newer and keeps what was read on", async () => {
  const { list, asked } = listOf(
    { items: [9, 8], next: "p" },
    { items: [7, 6], next: "q" },
    { items: [11, 10, 9], next: "r" },
    { items: [5], next: null },
  );
  await list.restart();
  await list.more();
  await list.renew();
  assert.deepEqual(list.items.value, [11, 10, 9, 8, 7, 6]);
  await list.more();
  assert.deepEqual(list.items.value, [11, 10, 9, 8, 7, 6, 5]);
  assert.equal(asked.at(-1), "/list?after=q");
});

test("renewed after more than a page happened, it begins anew and leaves nothing out", async () => {
  const { list, asked } = listOf(
    { items: [2, 1], next: null },
    { items: [9, 8], next: "p" },
    { items: [7, 6], next: "q" },
  );
  await list.restart();
  await list.renew();
  assert.deepEqual(list.items.value, [9, 8]);
  await list.more();
  assert.deepEqual(list.items.value, [9, 8, 7, 6]);
  assert.equal(asked.at(-1), "/list?after=p");
});

test("a renewal that is refused says so, leaves the list, and can be asked for once more", async () => {
  const { list, asked } = listOf({ items: [1], next: null }, "It is starting.", { items: [2, 1], next: "p" });
  await list.restart();
  await list.renew();
  assert.equal(list.failure.value, "It is starting.");
  assert.deepEqual(list.items.value, [1]);
  await list.again();
  assert.equal(list.failure.value, null);
  assert.deepEqual(list.items.value, [2, 1]);
  assert.deepEqual(asked, ["/list?after=", "/list?after=", "/list?after="]);
  assert.equal(list.hasMore, false);
});

test("one that was not read yet is read from the newest on", async () => {
  const { list } = listOf({ items: [1], next: "p" });
  await list.renew();
  assert.deepEqual(list.items.value, [1]);
  assert.equal(list.hasMore, true);
});
