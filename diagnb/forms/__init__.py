"""The form: a draft journal and a model that know no notebook, and the widgets that show them.

Nothing is imported here, so that the journal and the model can be used without a widget library.
"""
