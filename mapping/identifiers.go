package mapping

import (
	"crypto/sha1" // what version 5 is made of, not a matter of secrecy
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
func StableID(r poct.Result, part string) uuid.UUID { return stableID(&r, part) }

func stableID(r *poct.Result, part string) uuid.UUID {
	return version5(base, r.Key, "|", part, "|", strconv.Itoa(r.Filing))
}

// named is the UUID of something that several results share, by its name.
func named(system, value string) uuid.UUID { return version5(system, "|", value) }

// version5 is uuid.NewSHA1 in the URL name space, of a name in pieces: eight
// of them are needed for every result.
func version5(name ...string) uuid.UUID {
	b := append(make([]byte, 0, 256), uuid.NameSpaceURL[:]...)
	for _, piece := range name {
		b = append(b, piece...)
	}
	sum := sha1.Sum(b)
	id := uuid.UUID(sum[:16])
	id[6] = id[6]&0x0f | 0x50 // version 5
	id[8] = id[8]&0x3f | 0x80 // the variant of RFC 9562
	return id
}
