// Package config reads the one configuration file. It promises to report
// everything that is wrong with it at once, each fault with file, line,
// column, key, what is wrong and what to write instead; to take no key that it
// does not know; to print no secret; and to hand out nothing half checked: a
// *Config comes back only when there is no fault.
//
// Each package owns its part of the file (its Config and Validate); config
// owns the file as a whole, the positions, the secrets and what must agree
// between the parts.
package config
