package outbound

import "sync"

// counts is how often something happened, by delivery, in this process.
type counts struct {
	mu sync.Mutex
	by map[int64]int
}

// more counts one more and tells how many these are.
func (c *counts) more(id int64) int {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.by == nil {
		c.by = map[int64]int{}
	}
	c.by[id]++
	return c.by[id]
}

func (c *counts) forget(id int64) {
	c.mu.Lock()
	defer c.mu.Unlock()
	delete(c.by, id)
}
