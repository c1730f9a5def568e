package doctor

import (
	"slices"
	"time"

	"dewpost/collector/record"
)

// stuckAfter is how long after its first attempt an urgent message counts as
// stuck.
const stuckAfter = 2 * time.Minute

// setUp says how a way is set up.
var setUp = map[record.ChannelKind]string{
	record.Mail: "write [mail] into the config",
	record.MQTT: "messages go to a topic of an external broker: write [broker] into the config, or take another channel",
}

// people looks whether messages can reach anybody.
func (e *examiner) people() {
	reach := 0
	for i := range e.stats.people {
		p := &e.stats.people[i]
		can := 0
		for _, c := range p.Channels {
			if slices.Contains(e.in.Ways, c.Kind) {
				can++
				continue
			}
			e.todo("people", setUp[c.Kind], "Nothing can reach %s by %s: the config doesn't set it up.", p.Name, c.Kind)
		}
		if len(p.Channels) == 0 {
			e.todo("people", "dewpost person set "+quote(p.Name)+" --channel mail:ADDRESS", "There is no channel to %s.", p.Name)
		}
		if can > 0 {
			reach++
		}
	}
	if reach == 0 {
		says, fix := "Messages reach nobody: what is found stands on the pages and in the log only.", "write [mail] into the config, then dewpost person add NAME --channel mail:ADDRESS and dewpost message test NAME"
		if e.stats.inService > 0 {
			e.todo("people", fix, "%s", says)
		} else {
			e.know("people", fix, "%s", says)
		}
	} else {
		e.fine("people", "Messages can go to %d of %d who are told; dewpost message test NAME shows whether they arrive.", reach, len(e.stats.people))
	}
	if n := e.stats.notices; n.Stuck > 0 {
		e.todo("messages", "dewpost message list tells why; dewpost message test NAME tries it now", "No channel takes %s.", many(n.Stuck, "urgent message"))
	} else if n.GivenUp > 0 {
		e.know("messages", "dewpost message list tells which", "Given up in all this time, because nothing took it: %s.", many(n.GivenUp, "message"))
	}
}

func quote(name string) string { return "'" + name + "'" }

// A token that a program uses is told of so long before it ends, and after it.
const (
	tokenEnds  = 30 * 24 * time.Hour
	tokenEnded = 90 * 24 * time.Hour
	tokenUsed  = 60 * 24 * time.Hour // it was used so long before that
)

// tokens looks for those that programs use and that have ended or are about to: such a
// program is turned away, and nobody else is told.
func (e *examiner) tokens() {
	for i := range e.stats.tokens {
		k := &e.stats.tokens[i]
		left := k.Expires.Sub(e.now)
		if k.Used == 0 || left > tokenEnds || left < -tokenEnded || min(e.now, k.Expires).Sub(k.Used) > tokenUsed {
			continue
		}
		says := "is good until"
		if left <= 0 {
			says = "is good no more since"
		}
		e.todo("tokens", "dewpost token add ANOTHER --role "+k.Role.String()+", give it to the program, then dewpost token revoke "+quote(k.Name),
			"The token %s, which a program used on %s, %s %s.", k.Name, stamp(k.Used), says, stamp(k.Expires))
	}
}
