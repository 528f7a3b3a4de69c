// Command foreign does nothing. A test builds it for another processor than that of the machine.
package main

func main() {}
