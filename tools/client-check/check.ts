// Is never run, only compiled: it proves that a client made from api/openapi.yaml can be written
// without a cast, and that the types refuse what the API would refuse. api.ts beside it is made anew
// by `make spec`.
import createClient from "openapi-fetch";
import type { paths } from "./api.js";

const api = createClient<paths>({ baseUrl: "/api/v1" });

// A list, its first item, and the refusal, which always has the same form.
export async function firstCustomer(): Promise<string | undefined> {
  const { data, error } = await api.GET("/customers", { params: { query: { limit: 50 } } });
  if (error) {
    throw new Error(error.title ?? "refused");
  }
  return data.items[0]?.name;
}

// Writing needs a key, so that a retry changes nothing twice.
export async function addCustomer(key: string): Promise<string> {
  const { data, error } = await api.POST("/customers", {
    params: { header: { "Idempotency-Key": key } },
    body: { code: "NORTH", name: "North Wash" },
  });
  if (error) {
    throw new Error(error.detail ?? "refused");
  }
  return data.id;
}

export async function siteZone(siteId: string): Promise<string | undefined> {
  const { data } = await api.GET("/sites/{siteId}", { params: { path: { siteId } } });
  return data?.zone;
}

export async function sitesAndPositions(siteId: string): Promise<number> {
  const sites = await api.GET("/sites", {});
  const positions = await api.GET("/positions", { params: { query: { site: siteId } } });
  return (sites.data?.items.length ?? 0) + (positions.data?.items.length ?? 0);
}

export async function recordFact(positionId: string, key: string): Promise<boolean> {
  const { response } = await api.POST("/positions/{positionId}/facts", {
    params: { path: { positionId }, header: { "Idempotency-Key": key } },
    body: { name: "hub fixing", value: "taper", seenAt: "2026-03-01T08:00:00Z" },
  });
  return response.status === 201;
}

export async function whoAmI(): Promise<string | undefined> {
  return (await api.GET("/me", {})).data?.name;
}

// What must not compile. If one of these lines compiles, the description has become too loose.
export async function refusedByTheTypes(siteId: string): Promise<void> {
  // @ts-expect-error: there is no such path
  await api.GET("/nonsense", {});
  // @ts-expect-error: the path parameter is missing
  await api.GET("/sites/{siteId}", {});
  // @ts-expect-error: a site is not made by PUT on the list
  await api.PUT("/sites", {});
  // @ts-expect-error: a name is text
  await api.POST("/customers", { params: { header: { "Idempotency-Key": "k" } }, body: { code: "A", name: 7 } });
  const { data } = await api.GET("/sites/{siteId}", { params: { path: { siteId } } });
  // @ts-expect-error: a site has no such member
  void data?.nonsense;
}
