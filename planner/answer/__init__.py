"""What has a person answered, and which rows does it still speak of?"""
