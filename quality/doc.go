// Package quality is the arithmetic of quality control and method comparison:
// control charts and multirules, agreement of a meter with the laboratory, one
// strip lot against another, the INR itself, change over time, time in range,
// and rates of device events.
//
//	control results -> Judge -------> points, rules that fired, brackets
//	paired results  -> Compare -----> bias, limits of agreement, lines, shares
//	                -> AcceptLot ---> a lot's verdict, with its reasons
//	INR series      -> TimeInRange -> shares of time
//	events, tests   -> RateOf ------> a rate with its interval
//
// It promises that whatever is compared with a limit is compared in exact
// decimals, as it was written, and never in floats; that floats appear only in
// estimates, whose formula and source stand at the function; that the same
// values in the same order give the same answer, whether they come at once or
// one by one; and that what cannot be computed is said in words, never given
// as NaN, an infinity or a guess.
//
// It takes values and returns values: no clock, logger or files. No figure in
// here is medical advice: limits are set by the laboratory's director.
package quality
