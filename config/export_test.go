package config

// LoadBytes is load, for fuzzing.
var LoadBytes = load
