// Package enroll knows which dongles may publish, and by what they prove it.
//
// A dongle has one credential of two forms: for NATS an nkey seed (Ed25519; the server sends a nonce, the dongle signs it,
// the seed never leaves it), for MQTT a password of 256 random bits. Both are shown once. What is kept cannot be turned
// back into them: the public nkey, and the SHA-256 of the password (a slow hash protects words that people choose,
// not random bits).
//
// # Why no operator and no JWT
//
// A user JWT says what its holder may do, signed by an account and an operator, for servers that have no list. Here the
// list is in the same process, so a JWT would repeat it. The embedded server drops JWTs outside of operator mode, and in it
// MQTT wants a bearer JWT as its password (700 characters that are the whole right, and no hash can be kept of it), the
// streams move from the global account into a new folder, and every revocation is a new account JWT. Lists of
// users in the server's options would do, but each enrolment reloads them and looks at every connection anew. A check of our own, in
// process, takes effect with the next connection, and the connections that it concerns are closed at once. An
// external NATS has its own way to list nkeys with permissions; marginline does not write its configuration.
//
// # Rotation and history
//
// A rotated credential ends after an overlap, because a dongle in the field has to be told its new one over
// the old one. Revocation ends all of a dongle's credentials at once, also on live connections. What happened is in a table
// that only grows, with time and person. The first enrolment turns sign-in on for good: from then on nobody is served without.
//
// # Threats, for whoever writes them up
//
//	another's reports    a credential may publish obd.reports.<its device> and nothing else; the server refuses the rest
//	reading              no subscription but its own inbox (NATS) and its receipts (MQTT)
//	forged answers       a publish names the subject of its answer, which the server does not check: JetStream would
//	                     answer to another dongle's inbox, which then forgets a report that nobody has. So the inbox of a
//	                     credential is a secret of 128 random bits (_INBOX_<secret>)
//	writing by answer    the same trick with another's report subject as the address of the answer made the server store its own
//	                     answer as a report of that dongle. So dongles on NATS live in an account of their own, which has no
//	                     JetStream, and reach the log through one imported subject; an answer stays in their account
//	our own headers      replay and received headers are believed only on a subject that dongles cannot publish to
//	suppression          Nats-Msg-Id of another dongle's next report would make the log drop it as a duplicate; the log's
//	                     window for it is as short as the server allows
//	replay               the same report again is a duplicate by id and content, for ever; other content under a known
//	                     id goes to the quarantine
//	taking over          MQTT client ids are shared by all: one that is not its device's is disconnected and held
//	floods               see ingest/broker/flood.go
//	theft of the data    hashes and public keys only: state.db and a backup hold nothing that a dongle could sign in with
//	stolen dongle        its credential can send made-up reports of its own unit until it is revoked. A report's VIN and
//	                     device must belong together, so it can harm one unit's history. Tampering with a vehicle's
//	                     answers cannot be seen by us
package enroll
