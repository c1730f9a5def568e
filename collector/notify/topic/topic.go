// Package topic brings messages to a topic of the external MQTT broker, as
// CloudEvents 1.0 in JSON, QoS 1, not retained.
package topic

import (
	"context"
	"fmt"

	"dewpost/collector/notify"
	"dewpost/collector/record"
)

// Config says how to publish.
type Config struct {
	// Publish returns nil when the broker has acknowledged.
	Publish func(ctx context.Context, topic string, payload []byte) error
	Source  string // names the installation in CloudEvents
}

// Topic is the way by MQTT.
type Topic struct{ cfg Config }

// New makes the way.
func New(cfg Config) *Topic { return &Topic{cfg} }

// Send publishes one message. nil means that the broker has acknowledged it.
func (t *Topic) Send(ctx context.Context, to record.Channel, p *notify.Parcel) error {
	body, err := p.CloudEvent(t.cfg.Source)
	if err == nil {
		err = t.cfg.Publish(ctx, to.Address, body)
	}
	if err != nil {
		return fmt.Errorf("topic %s: %w", to.Address, err)
	}
	return nil
}
