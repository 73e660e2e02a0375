"""The one model of a slot and of a module made of slots, and the promise they can carry."""
