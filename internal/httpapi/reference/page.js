// Draws the reference from the specification that this server serves.
SwaggerUIBundle({
  url: "/api/v1/openapi.yaml",
  dom_id: "#reference",
  deepLinking: true,
  defaultModelsExpandDepth: 0,
  docExpansion: "list",
  // A program's token can be tried here; nothing is sent anywhere but to this server.
  validatorUrl: null,
  requestInterceptor: (r) => {
    if (r.method === "POST" && !r.headers["Idempotency-Key"]) r.headers["Idempotency-Key"] = crypto.randomUUID();
    return r;
  },
});
