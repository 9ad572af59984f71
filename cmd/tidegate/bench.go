package main

type benchCmd struct{}

func (c *benchCmd) Run(s *streams) error { return nil }
