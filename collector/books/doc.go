// Package books is what the workshop writes down: who owns what, what hangs
// where and is made of what, parts, visits. It checks what people say and keeps
// nothing itself.
package books
