// Package validate judges a result: it runs the checks, gives the verdict, and
// says who may settle what was held. By the same checks it answers whether a
// meter may be used now.
//
//	poct.Result, poct.Facts, problems of decoding
//	        │
//	   Rules.Check ── not production? ──► ignore
//	        │       ── same once more? ──► duplicate
//	   each check of the table ──► pass │ problem │ cannot tell │ not asked
//	        │
//	   any problem of severity hold ──► hold, else release or file
//
// It promises:
//
//   - Doubt stops. A check that cannot tell holds the result. A check is not
//     asked only where the configuration says so (the meter profile, the site,
//     the lot), and then the answer says why.
//   - Release means that no problem of severity hold stands.
//   - Numbers are compared as decimals, never as floats. Only the formula that
//     recomputes an INR from seconds uses floats, with its rounding band.
//   - What no one may release, no setting can weaken.
//   - A rule of the laboratory's own that cannot be worked out holds, and none
//     knows who the patient is.
//   - Ready says yes only where the gate would let a clean result through.
//
// Everything here is pure: values in, values out, no clock and no files. The
// limits are the laboratory's director's to set; the defaults are no medical
// advice, and where a default has a published source, its table entry names it.
package validate
