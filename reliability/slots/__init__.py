"""One model of a slot, and of a module made of slots: what it may be promised, and what carries that.

``exposure`` turns a slot's life records into what the model needs at an operating point, ``grid`` is
its likelihood, ``bench`` draws its tests again, ``promise`` is the bound for the module, ``carried``
says for each stress whether the records carry the answer.
"""
