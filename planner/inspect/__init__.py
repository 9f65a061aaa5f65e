"""What is wrong with the files, before anything is planned?"""
