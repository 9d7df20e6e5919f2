// Package api answers over HTTP for everything that the pages and commands do with alerts, work orders, the
// plan and the shop floor. The description of all operations (OpenAPI 3.1) is made from the same Go types as
// the answers and is served at /api/v1/openapi.json; errors are Problem Details (RFC 9457).
//
// It keeps nothing and decides nothing: the Service does. A person is named in every change: whoever signed in or
// owns the key, and where nobody has to sign in, the one given in "by". Routes lists what is served, so that the server
// can say of each route who may use it.
package api
