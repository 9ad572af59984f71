package standin

import "context"

// SayLIS sends one LIS02 message, its records ended by CR, over LIS01 on a line
// of its own. The answer is that to the last frame: ACK or NAK.
func SayLIS(ctx context.Context, addr string, records []byte) (answer string, err error) {
	s := newLISSpeaker(addr)
	defer s.close()
	return s.say(ctx, records, plain)
}

// SayPOCT1A hands over one OBS or EVS document of a meter in a conversation of
// its own. The answer is the type of the ACK: AA or AE, or ESC.
func SayPOCT1A(ctx context.Context, addr, serial string, document []byte) (answer string, err error) {
	s := newPOCTSpeaker(addr, serial, "SEDGE5")
	defer s.close()
	return s.say(ctx, document, plain)
}
