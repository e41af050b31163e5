// Is never run, only compiled: it proves that a client made from api/openapi.yaml can be written
// without a cast, and that the types refuse what the API would refuse. api.ts beside it is made anew
// by `make spec`.
import createClient from "openapi-fetch";
import type { paths } from "./api.js";

const api = createClient<paths>({ baseUrl: "/api/v1" });

// A list, read page by page; the refusal always has the same form.
export async function allCustomers(): Promise<string[]> {
  const names: string[] = [];
  let cursor: string | undefined;
  do {
    const { data, error } = await api.GET("/customers", {
      params: { query: cursor === undefined ? { limit: 200 } : { limit: 200, cursor } },
    });
    if (error) {
      throw new Error(error.detail ?? error.title);
    }
    names.push(...data.items.map((customer) => customer.name));
    cursor = data.next_cursor;
  } while (cursor !== undefined);
  return names;
}

// Writing needs a key, so that a retry changes nothing twice.
export async function addCustomer(key: string): Promise<string> {
  const { data, error } = await api.POST("/customers", {
    params: { header: { "Idempotency-Key": key } },
    body: { code: "NORTH", name: "North Wash" },
  });
  if (error) {
    const blamed = error.errors?.map((e) => `${e.field}: ${e.rule}`).join("; ");
    throw new Error(blamed ?? error.title);
  }
  return data.id;
}

// What may be absent has to be looked at first.
export async function ownerOf(siteId: string): Promise<string> {
  const { data } = await api.GET("/sites/{siteId}", { params: { path: { siteId } } });
  return data?.customer?.name ?? "not yours to see";
}

export async function sitesAndPositions(siteId: string): Promise<number> {
  const sites = await api.GET("/sites", {});
  const positions = await api.GET("/positions", { params: { query: { site_id: siteId, state: "in_service" } } });
  return (sites.data?.items.length ?? 0) + (positions.data?.items.length ?? 0);
}

export async function recordFact(positionId: string, key: string): Promise<boolean> {
  const { response } = await api.POST("/positions/{positionId}/facts", {
    params: { path: { positionId }, header: { "Idempotency-Key": key } },
    body: { fact: "bore", measure: { value: 1.25, unit: "in" }, how: "measured", seen_at: "2026-03-01T08:00:00Z" },
  });
  return response.status === 201;
}

export async function whoAmI(): Promise<string | undefined> {
  const { data } = await api.GET("/me", {});
  return data?.everywhere ? `${data.name}, everywhere` : data?.name;
}

// What must not compile. If one of these lines compiles, the description has become too loose.
export async function refusedByTheTypes(siteId: string): Promise<void> {
  // @ts-expect-error: there is no such path
  await api.GET("/nonsense", {});
  // @ts-expect-error: the path parameter is missing
  await api.GET("/sites/{siteId}", {});
  // @ts-expect-error: a site is not made by PUT on the list
  await api.PUT("/sites", {});
  // @ts-expect-error: no key
  await api.POST("/customers", { body: { code: "NORTH", name: "North Wash" } });
  const params = { header: { "Idempotency-Key": "k" } };
  // @ts-expect-error: a name is text
  await api.POST("/customers", { params, body: { code: "NORTH", name: 7 } });
  // @ts-expect-error: a customer needs a name
  await api.POST("/customers", { params, body: { code: "NORTH" } });
  // @ts-expect-error: a position is never in this state
  await api.GET("/positions", { params: { query: { state: "broken" } } });
  const { data } = await api.GET("/sites/{siteId}", { params: { path: { siteId } } });
  // @ts-expect-error: a site has no such member
  void data?.nonsense;
}
