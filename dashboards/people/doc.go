// Package people knows who uses the service: their sign-in, sessions, roles and API keys, and the record of what
// was changed by whom. It decides nothing about vehicles. The pages ask it who a request is from (dashboards, access.go
// says which role may use which route), main asks it on behalf of the commands and of Flight SQL.
//
// Who may do what. A role is a set of abilities (role.go):
//
//	viewer          look
//	analyst         look, query
//	shop            work: the plan, orders, outcomes and facts of its own depots and nothing of others
//	manager         look, query, work, decide
//	administrator   all of these, and people
//
// look is every page and every figure; query is SQL in any form; work is what a shop does with a visit; decide is what
// binds the fleet: decisions about alerts, orders, the plan, the shop file, a replay of the quarantine; people is this package.
// What belongs to another depot is "not found" for a shop, so that not even its number is told.
//
// No ceremony at first. While nobody is listed, everybody who reaches the service may do everything, under the name they
// type, and the service listens on this machine only. The first who is listed must be an administrator; from then on every
// route asks for a sign-in, on this machine too. Beyond this machine the service listens only with an administrator (or
// OpenID Connect) and TLS; main refuses otherwise and says what to do. The private socket of the commands is a door of its
// own: the operating system lets only the owner of the data folder through it, and what comes in is recorded under the name given.
//
// Passwords are stored as argon2id in PHC form (password.go: RFC 9106, section 4, second recommended parameters). A name that nobody has costs
// the same work as a wrong password. Wrong tries slow down (limit.go): by name and address together soon, by address
// later, by name alone last and by a minute at most, so that nobody is locked out by others. At most two passwords
// are hashed at a time, 64 MiB each.
//
// Sessions (session.go) are 256 random bits in a cookie that scripts cannot read, SameSite=Lax, Secure and __Host- under TLS; stored is
// only their SHA-256. A sign-in always makes a new one and never takes one over that a browser brought along. They end by
// themselves after a time without use and after a longest time, by signing out, and all at once when the password, role,
// depots or standing of their person change. A page that only listens for news does not count as use.
//
// API keys (key.go) are 256 random bits, shown once, stored as SHA-256 (what cannot be guessed needs no slow hash), with a
// role of their own, an end and the time of their last use. A key never can do more than its owner can now, stops with its
// owner, opens only the routes that are meant for programs, and never may change people or keys.
//
// OpenID Connect (oidc.go): authorization code flow with PKCE (RFC 7636), state and nonce. A person is their issuer and subject, never
// their name or e-mail address; a claim is mapped to a role at every sign-in, and without a mapped value there is no sign-in.
// The provider knows nothing of API keys: disable a person here when they leave.
//
// Changes (change.go): who, when, what and about whom, in a table that takes new rows only. It has what no other history
// keeps: sign-ins, people and keys, replays of the quarantine, rosters, saved queries, upkeep by hand, and the settings in force.
//
// Goroutines: none. Everything is held in memory beside the tables of the state database, since every request asks; each
// change is written first and then held. Methods may be called from many goroutines at once.
//
// Failure cases. The database cannot be written: the change fails, nobody gains anything, and who is signed in stays so. A
// process that ends forgets the counts of wrong tries and sign-ins by OpenID Connect that were under way. The provider is away: local
// people still sign in. The last administrator cannot be disabled or lose the role, in one change or two at once. A clock that jumps back lengthens
// sessions by as much.
//
// Rejected: signed tokens that carry the role (JWT) in the cookie, because they cannot be ended at once when a role changes
// without the very table they would save; a form token against cross-site requests, because browsers tell the site of a
// request (Sec-Fetch-Site, checked by http.CrossOriginProtection) and every form would need it; trust in X-Forwarded-For,
// because whoever reaches the service directly can write it (behind a proxy all sign-ins have one address, so the limit by
// address is shared: the sign-in is slower under attack, never open); and roles made by the user, which nobody can check in a table.
package people
