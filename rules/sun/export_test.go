package sun

// Position is position, for the test that compares its series with another
// writing of them.
var Position = position
