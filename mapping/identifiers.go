package mapping

import (
	"strconv"

	"github.com/google/uuid"

	"tidegate/poct"
)

// base is the name space of the stable identifiers. It is a name, not an address.
const base = "https://tidegate.example/r/"

// systemURI says that an identifier's value is a URI (RFC 3986), as FHIR
// writes identifiers that are UUIDs.
const systemURI = "urn:ietf:rfc:3986"

// Systems of the numbers that the clinic itself gives, or that the meter sends
// and no authority is known to have assigned.
const (
	lotSystem      = "https://tidegate.example/strip-lot"
	serialSystem   = "https://tidegate.example/meter"
	operatorSystem = "https://tidegate.example/operator"
	siteSystem     = "https://tidegate.example/site"
	visitSystem    = "https://tidegate.example/visit"
	orderSystem    = "https://tidegate.example/order"
)

// StableID is the UUID of one part of a result: a version 5 UUID (RFC 9562) in
// the URL name space of meter serial, sequence, device time as sent, part and
// filing revision. It never names the patient, and is the same however often
// and from wherever the result is filed. Part is an analyte, or "report",
// "specimen", "provenance".
func StableID(r poct.Result, part string) uuid.UUID {
	name := base + r.Key + "|" + part + "|" + strconv.Itoa(r.Filing)
	return uuid.NewSHA1(uuid.NameSpaceURL, []byte(name))
}

// named is the UUID of something that several results share, by its name.
func named(system, value string) uuid.UUID {
	return uuid.NewSHA1(uuid.NameSpaceURL, []byte(system+"|"+value))
}
