package mllp

import "sync"

// repeats remembers what one connection has answered, for senders whose
// control ids cannot tell our answers apart.
//
// The failure it prevents: a meter that numbers every message alike times out,
// sends again and gets two answers. It takes the second for the answer to its
// next message, which it then forgets though it may never have been stored. So
// where a control id is missing, or was seen with other bytes, the same bytes
// are answered once per connection, and a repeat ends the connection: a new
// one has no late answers. Where ids differ, MSA-2 tells the answers apart and
// a repeat is answered again.
//
// That ids repeat is known only once an id came with other bytes. The listener
// keeps it by peer, so that a meter is found out at most once.
type repeats struct{ recent, older generation }

type generation struct {
	answered map[[32]byte]struct{}
	bytesOf  map[string][32]byte // control id -> digest
}

// remembered bounds the memory of a connection: at least so many of its last
// messages, at most twice as many.
const remembered = 1024

// note takes in a message: repeat, if its bytes were answered on this
// connection; reused, if its control id came with other bytes before.
func (r *repeats) note(id string, digest [32]byte) (repeat, reused bool) {
	if r.recent.answered == nil || len(r.recent.answered) >= remembered {
		r.older, r.recent = r.recent, generation{map[[32]byte]struct{}{}, map[string][32]byte{}}
	}
	for _, g := range []generation{r.older, r.recent} {
		if _, ok := g.answered[digest]; ok {
			repeat = true
		}
		if before, ok := g.bytesOf[id]; ok && id != "" && before != digest {
			reused = true
		}
	}
	r.recent.answered[digest] = struct{}{}
	r.recent.bytesOf[id] = digest
	return repeat, reused
}

// reusers are the peers that were seen to use a control id twice.
type reusers struct {
	mu    sync.Mutex
	peers map[string]struct{}
}

const rememberedPeers = 4096

func (r *reusers) add(peer string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.peers == nil || len(r.peers) >= rememberedPeers {
		r.peers = map[string]struct{}{}
	}
	r.peers[peer] = struct{}{}
}

func (r *reusers) has(peer string) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	_, ok := r.peers[peer]
	return ok
}
