"""What a person does about a trip or a withdrawal: advice in plain words."""
