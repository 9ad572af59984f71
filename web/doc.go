// Package web is what people and programs see of tidegate: the pages, the HTTP
// API, health and metrics.
//
// It promises that nothing of a patient is shown before the look is written
// down, that no patient data stands in an address, a title, a log line or a
// problem report, that every route says in one table which roles it serves,
// that no GET changes anything but the record of looks, and that every page
// works without script.
//
//	request ─► security headers ─► who? (token or session) ─► may the role? ─► handler
//	                                                                             │
//	          Reader (what is known) ◄── page or API ──► Desk (acts, looks) ◄────┘
//
// Everything it needs comes in through Settings; it knows no database.
package web
