// Package dashboards is the web server and its pages: the last stage of the pipeline, where people read
// what the others found and write down what they decided.
//
// Pages are written on the server with html/template and are complete without JavaScript. The bundle in
// web/ adds three things only: regions that refresh when the service says that something changed, zoom
// and hover on the series page, and a print button. The rejected way is a page that fetches data and
// draws itself: it shows nothing on an old shop computer, in a printout or when a script fails, and it
// would need every number to be formatted twice.
//
// Charts follow the same rule. One Go-drawn SVG (svg.go, spark.go, chart.go) serves the list, the unit
// page, the printed work order and reading without JavaScript. On the series page the bundle replaces it
// with an interactive drawing of the same numbers (/series/.../points.json); the table beside it is the
// third reading of one []dot.
//
// A reader may choose a time zone and US units (reader.go): cookies, or the address for one page. Each choice
// is served by a copy of the server with templates of its own, so that no handler has to pass it on; courses
// are converted where pages get them (customary.go). The rejected way was to convert in the browser: the
// printout, the file and the table would each say something else.
//
// The package reads through small interfaces (deps.go): Book for alerts and work orders, Series for the
// detector, Roster for units, Names for the words of a test, Codes and Health. It keeps no data of its own
// but a cache of refolded units, one entry for a unit and its newest poll (traces.go).
//
// Failure cases: a store that does not answer gives an error page with a reference that is also in the
// log, never a stack trace and never an empty list that looks like good news. A unit that sends nothing is
// silent, not healthy. A missing bundle is said in the footer and in the log, and everything still reads.
// Requests whose Host is a foreign name are refused (a page elsewhere could otherwise reach us through its own
// DNS name), cross-site posts are refused, and no page asks any other host for anything.
//
// Who may use which route stands in one table (access.go); the router hands every route through guard.go, and a route that
// the table lacks keeps the server from being made. What a shop may know of the things behind a route is decided where they
// are read: main hands in a Book and a Floor that leave out other depots, and the guard itself looks at a unit or depot in
// an address. A phone keeps outcome pages that were opened on it, and outcomes that were not sent yet, after a
// sign-out too: sent they are only after the next sign-in, in that name. Package people is the rest of the design.
//
// Goroutines: New starts none. Run owns the HTTP server, its connections and the event hub, and returns
// after all have ended. Changed may be called from any goroutine and never blocks.
package dashboards
